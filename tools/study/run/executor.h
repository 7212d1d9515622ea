// Who does the work of a plan: all cores of this machine; with several processes, see ranks.h. Knows points
// and frames only by number, and gives the same numbers whoever computes them.
#pragma once

#include <condition_variable>
#include <cstdint>
#include <exception>
#include <functional>
#include <map>
#include <mutex>
#include <optional>
#include <set>
#include <vector>

#include "sim/signal/execution/threads.h"
#include "tools/study/plan/plan.h"
#include "tools/study/run/frame.h"
#include "tools/study/run/reuse.h"

namespace cohlink {

/// Collects the frames of one point, whatever order they finish in, and applies the stop rule in frame
/// order: frames computed ahead and not needed are dropped.
class Tally {
 public:
  explicit Tally(StopRule rule) : rule_(rule) {}

  /// A point counted before.
  static Tally counted(StopRule rule, std::uint64_t frames, FrameResult total);

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

/// What frames of several points have in common, as an executor must know it to keep threads off each other's
/// feet: whether it is there for (point, frame); that the calling thread is about to run that frame; and a
/// listener to call when something became ready.
struct FrameSupply {
  std::function<Readiness(std::size_t point, std::uint64_t frame)> readiness;
  std::function<void(std::size_t point, std::uint64_t frame)> claim;
  std::function<void(std::function<void()>)> listen;
};

/// Frames counted by an earlier run: by point, by frame.
using KnownFrames = std::vector<std::map<std::uint64_t, FrameResult>>;

/// Hears of every frame that was computed, under a lock, before it is counted.
using FrameListener = std::function<void(std::size_t point, std::uint64_t frame, const FrameResult&)>;

struct ExecutorHooks {
  ProgressFunction progress;
  FrameListener computed;
  FrameSupply supply;
  KnownFrames known;      // empty, or one entry a point
  bool by_frame = false;  // lowest frame first, so that a worker may keep what points of a frame share
  unsigned lanes = 1;     // by_frame: how many workers, or sets of them, each keep to frames of their own
};

/// A frame to be computed for the points of one unit that are still open.
struct Assignment {
  std::size_t unit = 0;
  std::uint64_t frame = 0;
  std::vector<std::size_t> points;
};

/// The frames still to be computed, handed out one at a time. A unit is a set of points whose frames are
/// computed together, by one worker; most often a single point. Thread-safe.
class Dispatcher {
 public:
  /// `units` hold every point exactly once.
  Dispatcher(const std::vector<StopRule>& rules, std::vector<std::vector<std::size_t>> units,
             const ExecutorHooks& hooks);

  enum class Answer { kWork, kWait, kFinished };
  /// A frame worth starting; kWait while there is none but may be later; kFinished when all is done. With
  /// several lanes rather one of this lane's: frame f is of lane f modulo their number.
  Answer offer(Assignment& assignment, unsigned lane = 0);
  /// The same, waiting. False when done.
  bool next(Assignment& assignment, unsigned lane = 0);
  /// One point's result, and the end of an assignment, whose points were all counted.
  void count(std::size_t point, std::uint64_t frame, FrameResult result);
  void finish(const Assignment& assignment);
  void fail(std::size_t point, std::exception_ptr failure);
  /// All points are counted, or something failed.
  bool finished() const;
  /// Whoever waits looks again.
  void wake();
  /// When all is done: the tallies; throws the failure of the lowest point.
  std::vector<Tally> tallies();

 private:
  struct Point {
    Tally tally;
    const std::map<std::uint64_t, FrameResult>* known = nullptr;
  };
  struct Unit {
    std::vector<std::size_t> points;
    std::uint64_t started = 0;  // all frames below are handed out or known
    std::size_t running = 0;
    std::set<std::uint64_t> ahead = {};  // handed out beyond `started`, to other lanes
  };
  struct Choice {
    std::size_t unit = 0;
    std::uint64_t frame = 0;
  };
  bool open(const Unit& unit) const;
  std::optional<Choice> pick() const;
  std::optional<Choice> pick_in_window(unsigned lane) const;
  std::optional<Choice> pick_any(unsigned lane) const;
  std::uint64_t frame_for(const Unit& unit, unsigned lane) const;
  void assign(const Choice& choice, Assignment& assignment);
  void skip_known(Unit& unit);
  bool wants(std::size_t point, std::uint64_t frame) const;
  std::vector<std::size_t> missing(const Unit& unit, std::uint64_t frame) const;
  void expect(std::size_t point, double sign);
  SweepProgress summary() const;
  void move_first();

  mutable std::mutex mutex_;
  std::condition_variable changed_;
  std::vector<Point> points_;
  std::vector<Unit> units_;
  std::size_t done_ = 0, first_open_ = 0;
  std::uint64_t frames_run_ = 0, frames_known_ = 0;
  double frames_expected_ = 0;  // of all points
  std::size_t uncertain_ = 0;   // points whose expectation is an upper bound
  std::exception_ptr failure_;
  std::size_t failed_point_ = 0;
  const ExecutorHooks& hooks_;
};

/// Runs every point until its rule stops it. The tallies do not depend on `threads` (at least 1).
/// The first failure ends the run: of the failures met, the one of the lowest point is thrown.
std::vector<Tally> run_on_threads(const std::vector<StopRule>& rules, const FrameFunction& run,
                                  unsigned threads, const ExecutorHooks& hooks = {});

/// For a program that runs frames: fields of some megabytes come and go with every one, and returning their
/// memory to the system costs a page fault, under a lock that all threads share, for every page of the next.
void keep_memory();

/// `asked`, or one per core for 0; never more than `jobs`, never less than 1.
unsigned thread_count(std::int64_t asked, std::size_t jobs);

}  // namespace cohlink
