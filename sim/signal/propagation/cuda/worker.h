// Streams on a card with their memory.
#pragma once

#include <cuda_runtime.h>

#include <array>
#include <memory>
#include <tuple>
#include <vector>

#include "sim/signal/propagation/cuda/device.h"
#include "sim/signal/propagation/cuda/layouts.h"
#include "sim/signal/propagation/cuda/memory.h"

namespace cohlink::cuda {

/// What goes through all steps together: samples that stay in the second-level cache between two passes.
inline constexpr std::size_t kCacheBytes = std::size_t{32} << 20;

/// The launches of a program on a chunk, to be replayed; `signature` says of which. A program is recorded
/// when it comes for the second time.
class Recording {
 public:
  Recording() = default;
  ~Recording() { forget(); }
  Recording(const Recording&) = delete;
  Recording& operator=(const Recording&) = delete;

  /// Queues what `launch` queues on `stream`, by replay where this signature was seen before.
  template <class Launch>
  void run(std::vector<double> signature, cudaStream_t stream, const Launch& launch) {
    if (signature != signature_) {
      forget();
      signature_ = std::move(signature);
      return launch();
    }
    if (graph_ == nullptr) record(stream, launch);
    check(cudaGraphLaunch(graph_, stream));
  }

 private:
  template <class Launch>
  void record(cudaStream_t stream, const Launch& launch) {
    cudaGraph_t graph = nullptr;
    check(cudaStreamBeginCapture(stream, cudaStreamCaptureModeThreadLocal));
    try {
      launch();
    } catch (...) {
      cudaStreamEndCapture(stream, &graph);
      throw;
    }
    check(cudaStreamEndCapture(stream, &graph));
    const cudaError_t status = cudaGraphInstantiate(&graph_, graph, 0);
    cudaGraphDestroy(graph);
    check(status);
  }
  void forget() {
    if (graph_ != nullptr) cudaGraphExecDestroy(graph_);
    graph_ = nullptr;
    signature_.clear();
  }

  std::vector<double> signature_;
  cudaGraphExec_t graph_ = nullptr;
};

/// The layout last used, and how many were made before it: what is recorded holds on to the memory of one.
template <class Real>
struct LayoutInUse {
  std::unique_ptr<Layout<Real>> layout;
  int n = 0, links = 0, made = 0;

  Layout<Real>& get(int wanted_n, int wanted_links, cudaStream_t stream) {
    if (layout == nullptr || n != wanted_n || links != wanted_links) {
      layout.reset();
      layout = make_layout<Real>(wanted_n, wanted_links, stream);
      n = wanted_n;
      links = wanted_links;
      ++made;
    }
    return *layout;
  }
};

/// A stream, and how fields lie for what is queued on it.
struct Lane {
  cudaStream_t stream = nullptr;
  std::tuple<LayoutInUse<float>, LayoutInUse<double>> layouts;
};

/// How many lanes share `links` fields of n samples: on two streams one half computes while the other reads
/// and writes, or waits for a kernel to end. Less than some MiB is over before a host has launched it twice.
template <class Real>
int lanes_for(std::size_t n, std::size_t links) {
  constexpr std::size_t kEnough = std::size_t{8} << 20;
  return links > 1 && takes_two_passes(n) && links * n * sizeof(Sample<Real>) >= kEnough ? 2 : 1;
}

struct Worker {
  explicit Worker(int index);
  ~Worker();
  Worker(const Worker&) = delete;
  Worker& operator=(const Worker&) = delete;
  /// Makes this worker's card the calling thread's.
  void enter() const { check(cudaSetDevice(device)); }
  /// The stream of all that is not shared between lanes.
  cudaStream_t stream() const { return lanes[0].stream; }
  /// Until all that is queued on stream() is done; the thread leaves its core to those that make and receive
  /// light.
  void wait() const {
    check(cudaEventRecord(done_, stream()));
    check(cudaEventSynchronize(done_));
  }
  /// What is queued on the second lane from here on waits for the first; and the first for the second.
  void fork() const { follow(lanes[1].stream, lanes[0].stream); }
  void join() const { follow(lanes[0].stream, lanes[1].stream); }

  int device;
  std::array<Lane, 2> lanes;
  DeviceMemory fields, rows, spare, gains, parts;
  LockedMemory host_rows, host_gains;
  Recording recording;
  std::shared_ptr<void> kept;  ///< what stages beyond propagation keep here from frame to frame

 private:
  void follow(cudaStream_t later, cudaStream_t earlier) const {
    check(cudaEventRecord(event_, earlier));
    check(cudaStreamWaitEvent(later, event_, 0));
  }
  cudaEvent_t event_ = nullptr, done_ = nullptr;
};

}  // namespace cohlink::cuda
