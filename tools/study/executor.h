// Who does the work of a plan: all cores of this machine. Knows points and frames only by number, so that
// another executor (a batch array, MPI) can take its place and give the same numbers.
#pragma once

#include <cstdint>
#include <functional>
#include <map>
#include <vector>

#include "tools/study/frame.h"
#include "tools/study/plan.h"

namespace cohlink {

/// Collects the frames of one point, whatever order they finish in, and applies the stop rule in frame
/// order: frames computed ahead and not needed are dropped.
class Tally {
 public:
  explicit Tally(StopRule rule) : rule_(rule) {}

  /// Ignored once the point is done.
  void add(std::uint64_t frame, FrameResult result);

  bool done() const { return done_; }
  std::uint64_t frames() const { return counted_; }  // counted, in order
  const FrameResult& total() const { return total_; }
  const StopRule& rule() const { return rule_; }
  /// Frames this point is likely to need, from its errors so far; all of them while it has none.
  double expected_frames() const;

 private:
  StopRule rule_;
  FrameResult total_;
  std::uint64_t counted_ = 0;
  bool done_ = false;
  std::map<std::uint64_t, FrameResult> ahead_;  // finished before an earlier frame was
};

/// (point, frame) -> its result. Called from many threads at once.
using FrameFunction = std::function<FrameResult(std::size_t point, std::uint64_t frame)>;

/// A frame was counted or a point finished; called under a lock, in no fixed order.
struct SweepProgress {
  std::size_t points = 0, points_done = 0;
  std::uint64_t frames_run = 0;
  double frames_expected = 0;  // in all, by the errors counted so far
  bool certain = true;         // false while a point without errors makes the expectation an upper bound
};
using ProgressFunction = std::function<void(const SweepProgress&, std::size_t point, const Tally&)>;

/// Runs every point until its rule stops it. The tallies do not depend on `threads` (at least 1).
/// The first failure ends the run: of the failures met, the one of the lowest point is thrown.
std::vector<Tally> run_on_threads(const std::vector<StopRule>& rules, const FrameFunction& run,
                                  unsigned threads, const ProgressFunction& progress);

/// Calls work(0) ... work(count - 1) on up to `threads` threads; the failure of the lowest index is thrown.
void for_each_index(std::size_t count, unsigned threads, const std::function<void(std::size_t)>& work);

/// `asked`, or one per core for 0; never more than `jobs`, never less than 1.
unsigned thread_count(std::int64_t asked, std::size_t jobs);

}  // namespace cohlink
