// What runs a simulation or a reception: the FFT plans, how many threads, on which device, who hears of its
// progress, and whether it was told to stop.
#pragma once

#include <atomic>
#include <exception>
#include <functional>
#include <memory>

#include "sim/signal/execution/fft.h"

namespace cohlink {

/// Where light is propagated, and detected behind that: kAutomatic takes a GPU where there is one.
enum class Device { kAutomatic, kCpu, kCuda };

/// Thrown by work whose execution was told to stop. What it worked on is spoilt.
struct Stopped : std::exception {
  const char* what() const noexcept override { return "stopped"; }
};

/// Hears that a further share of a propagation is done: the shares of one frame add up to 1. Called from the
/// working threads, some hundred times a frame at most.
using ProgressListener = std::function<void(double share)>;

/// Owned and shared: copies are cheap, use the same plans, and stop together. Thread-safe.
class Execution {
 public:
  /// Not explicit: plans alone are an execution on any device with one thread a call.
  Execution(FftCache ffts = FftCache(), Device device = Device::kAutomatic, unsigned threads = 1);

  const FftCache& ffts() const { return ffts_; }
  Device device() const { return device_; }
  /// Threads that batches of frames may be spread over.
  unsigned threads() const { return threads_; }

  /// A copy whose work `listener` hears of; it stops together with this one.
  Execution heard_by(ProgressListener listener) const;
  /// A copy that nobody listens to.
  Execution unheard() const;
  void progress(double share) const {
    if (listener_ != nullptr) (*listener_)(share);
  }

  /// Ends all work of this execution and its copies: they throw Stopped where they next ask (check()), after
  /// milliseconds in fields of 2^17 samples, a second or two in those of millions. May be called from a
  /// signal handler, and once more without effect.
  void stop() const noexcept { stopped_->store(true, std::memory_order_relaxed); }
  bool stopped() const noexcept { return stopped_->load(std::memory_order_relaxed); }
  /// Throws Stopped if it was told to stop.
  void check() const {
    if (stopped()) throw Stopped();
  }

 private:
  static_assert(std::atomic<bool>::is_always_lock_free, "a signal handler sets it");

  FftCache ffts_;
  Device device_;
  unsigned threads_;
  std::shared_ptr<std::atomic<bool>> stopped_;
  std::shared_ptr<const ProgressListener> listener_;
};

}  // namespace cohlink
