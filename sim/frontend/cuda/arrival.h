// Light on a card as it has arrived, and what a worker keeps for detecting it.
#pragma once

#include <algorithm>
#include <cmath>
#include <complex>
#include <map>
#include <memory>
#include <tuple>
#include <utility>

#include "sim/frontend/cuda/detection_on_card.h"
#include "sim/frontend/cuda/detection_passes.h"
#include "sim/signal/propagation/cuda/whole_fft.h"
#include "sim/signal/propagation/cuda/worker.h"

namespace cohlink::cuda {

/// What a worker keeps from frame to frame for this work.
struct DetectionMemory {
  DeviceMemory light, currents, minus, sampled, dense, trace, converter, weights, samples, codes, sums;
  LockedMemory host_trace, host_codes, host_sums, host_converter;
  std::map<std::pair<int, int>, Transform> transforms;  // by length and how many
  const double* weights_there = nullptr;

  static DetectionMemory& of(Worker& worker) {
    if (worker.kept == nullptr) worker.kept = std::make_shared<DetectionMemory>();
    return *static_cast<DetectionMemory*>(worker.kept.get());
  }
  // Before a frame, when nothing is queued: those of some scenarios are kept.
  void tidy() {
    constexpr std::size_t kMost = 12;
    if (transforms.size() > kMost) transforms.clear();
  }
  const Transform& transform(int n, int count, cudaStream_t stream) {
    const auto found = transforms.find({n, count});
    if (found != transforms.end()) return found->second;
    const TransformShape shape{n, count, 1, n};
    return transforms
        .emplace(std::piecewise_construct, std::forward_as_tuple(n, count),
                 std::forward_as_tuple(shape, false, stream))
        .first->second;
  }
};

/// Light that has arrived: X and Y as rows one after the other.
class Arrival {
 public:
  explicit Arrival(const ArrivedOnCard& arrived)
      : worker_(arrived.light.worker()),
        memory_(DetectionMemory::of(worker_)),
        n_(static_cast<int>(arrived.light.size())),
        rate_(arrived.light.sample_rate()) {
    memory_.tidy();
    const std::size_t count = 2 * arrived.light.size();
    light_ = memory_.light.at_least<Complex>(count);
    other_ = memory_.currents.at_least<Complex>(count);
    if (arrived.light.single())
      widen(light_, worker_.rows.at_least<float>(2 * count), n_, stream());
    else
      widen(light_, worker_.rows.at_least<double>(2 * count), n_, stream());
    tune(arrived.frequency, arrived.delay);
  }

  void bring_back(Field<double>& to) {
    const auto n = static_cast<std::size_t>(n_);
    worker_.wait();  // for what is on its way there: the host's rows may have to grow
    auto* host = worker_.host_rows.at_least<std::complex<double>>(2 * n);
    copy(host, light_, 2 * n * sizeof(Complex), cudaMemcpyDeviceToHost);
    worker_.wait();
    std::copy_n(host, n, to.x.begin());
    std::copy_n(host + n, n, to.y.begin());
  }

 protected:
  cudaStream_t stream() const { return worker_.stream(); }
  Complex* row(Complex* rows, std::size_t pol) const { return rows + pol * static_cast<std::size_t>(n_); }
  void transform(Complex* rows, int n, int count, Transform::Direction direction) {
    memory_.transform(n, count, stream())(rows, direction);
  }
  void copy(void* to, const void* from, std::size_t bytes, cudaMemcpyKind kind) {
    if (bytes > 0) check(cudaMemcpyAsync(to, from, bytes, kind, stream()));
  }

  Worker& worker_;
  DetectionMemory& memory_;
  int n_;
  double rate_;
  Complex *light_ = nullptr, *other_ = nullptr;  // as large, for whoever needs room

 private:
  void tune(double frequency, double delay) {
    if (frequency == 0.0 && delay == 0.0) return;
    const auto bins = std::lround(frequency * n_ / rate_);
    transform(light_, n_, 2, Transform::Direction::kForward);
    retune(other_, light_, n_, {static_cast<int>((bins % n_ + n_) % n_), rate_ / n_ * delay}, stream());
    transform(other_, n_, 2, Transform::Direction::kInverse);
    std::swap(light_, other_);
  }
};

}  // namespace cohlink::cuda
