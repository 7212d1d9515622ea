// The two kinds of work that a sweep can be: frames counted at every point, or a required OSNR searched at
// each.
#pragma once

#include <functional>
#include <string>
#include <vector>

#include "sim/signal/execution/fft.h"
#include "tools/study/run/sweep_run.h"

namespace cohlink {

/// The same work seen by rank 0, which hands it out and gets the records, and by the other ranks. Order and
/// options must outlive it.
struct SweepWork {
  std::function<SweepRecords()> lead;
  /// What another rank does for rank 0; `last_words` says at the end how it rounded.
  std::function<void(const std::function<std::string()>& last_words)> follow;
  /// After `lead`: how the other ranks rounded.
  std::function<std::vector<std::string>()> last_words;
};

SweepWork frame_sweep(const SweepOrder& order, const SweepRunOptions& options, const FftCache& fft);
SweepWork search_sweep(const SweepOrder& order, const SweepRunOptions& options, const FftCache& fft);

/// The scenarios of the references of a penalty at these points, each once.
std::vector<Scenario> penalty_references(const SweepOrder& order, const std::vector<std::size_t>& points);

}  // namespace cohlink
