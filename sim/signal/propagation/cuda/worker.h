// A stream on a card with its memory.
#pragma once

#include <cuda_runtime.h>

#include <memory>
#include <tuple>
#include <vector>

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

struct Worker {
  explicit Worker(int index);
  ~Worker();
  Worker(const Worker&) = delete;
  Worker& operator=(const Worker&) = delete;
  /// Makes this worker's card the calling thread's.
  void enter() const { check(cudaSetDevice(device)); }

  int device;
  cudaStream_t stream = nullptr;
  DeviceMemory fields, rows, spare, gains, parts;
  LockedMemory host_rows, host_gains;
  Recording recording;
  std::tuple<LayoutInUse<float>, LayoutInUse<double>> layouts;
};

}  // namespace cohlink::cuda
