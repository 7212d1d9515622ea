// Ctrl-C and SIGTERM during work that has nothing to go on from: stopped in good order, nothing half-written.
#pragma once

#include <functional>
#include <memory>
#include <string>

#include "sim/signal/execution/execution.h"

namespace cohlink {

/// While it lives, Ctrl-C and SIGTERM stop the execution, whose work then throws Stopped; a second signal
/// ends the program at once. Work that does not come to ask within kGrace (one transform of millions of
/// samples is one piece) is not waited for: the program ends by itself, as end_stopped would have it, once no
/// file is being written. One at a time; it should live no longer than the work.
class StopBySignal {
 public:
  static constexpr int kGrace = 30;  // ms

  /// `left`: what there is of the work; called from another thread.
  StopBySignal(const Execution& execution, std::function<std::string()> left);
  ~StopBySignal();
  StopBySignal(const StopBySignal&) = delete;
  StopBySignal& operator=(const StopBySignal&) = delete;

 private:
  class Watch;
  std::unique_ptr<Watch> watch_;
};

/// Says in one line that a signal stopped the work, and `left`, what there is of it; gives the exit status,
/// 128 and the signal's number.
int end_stopped(const std::string& left);

}  // namespace cohlink
