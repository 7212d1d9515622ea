// What goes to standard error: notes, cautions and the progress bar.
#pragma once

#include <chrono>
#include <mutex>
#include <string>
#include <vector>

#include "sim/signal/scenario/scenario.h"

namespace cohlink {

/// A remark that --quiet silences.
void note(bool quiet, const std::string& text);

/// A remark about safety or about trust in a result, printed always.
void caution(const std::string& text);

/// Cautions when light of `watt` in a fibre is above a hazard level of IEC 60825-2 (at 1550 nm).
void light_hazard_caution(double watt);
/// The same for the strongest light in any of these scenarios' fibres. A scenario that cannot be set up
/// counts as dark: whoever runs it says what is wrong with it.
void light_hazard_caution(const std::vector<Scenario>& scenarios);

/// Cautions, of the first of the scenarios that calls for any, where it samples its light too coarsely for
/// its hardware or brings the receiver a power outside its range (link_setup.h). A scenario that cannot be
/// set up says nothing.
void set_up_cautions(const std::vector<Scenario>& scenarios);

/// A bar with the time left, redrawn in place a few times a second; where standard error is not a terminal, a
/// line a minute. Silent with --quiet. Safe to call from several threads.
class ProgressBar {
 public:
  explicit ProgressBar(bool quiet);
  ~ProgressBar() { clear(); }
  ProgressBar(const ProgressBar&) = delete;
  ProgressBar& operator=(const ProgressBar&) = delete;

  /// `done` of the work, 0 to 1, `what` after the bar. The time left follows from the time spent so far;
  /// `at_most` marks it as an upper bound.
  void show(double done, const std::string& what, bool at_most = false);
  /// Takes the bar off the screen.
  void clear();
  double seconds() const;

 private:
  using Clock = std::chrono::steady_clock;
  bool on_, terminal_, drawn_ = false;
  Clock::time_point start_ = Clock::now(), last_ = start_;
  std::mutex mutex_;
};

}  // namespace cohlink
