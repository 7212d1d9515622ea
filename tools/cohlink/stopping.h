// Ctrl-C and SIGTERM during work that has nothing to go on from: stopped in good order, nothing half-written.
#pragma once

#include <string>

#include "sim/signal/execution/execution.h"

namespace cohlink {

/// While it lives, Ctrl-C and SIGTERM stop the execution, whose work then throws Stopped; a second signal
/// ends the program at once. One at a time.
class StopBySignal {
 public:
  explicit StopBySignal(const Execution& execution);
  ~StopBySignal();
  StopBySignal(const StopBySignal&) = delete;
  StopBySignal& operator=(const StopBySignal&) = delete;
};

/// Says in one line that a signal stopped the work, and `left`, what there is of it; gives the exit status,
/// 128 and the signal's number.
int end_stopped(const std::string& left);

}  // namespace cohlink
