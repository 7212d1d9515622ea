#include <doctest/doctest.h>

#include <atomic>
#include <chrono>
#include <set>
#include <stdexcept>
#include <thread>
#include <utility>

#include "tools/study/run/executor.h"

using namespace cohlink;

namespace {

/// A frame's errors as a fixed function of its address; later frames finish first.
FrameResult fake_frame(std::size_t point, std::uint64_t frame) {
  std::this_thread::sleep_for(std::chrono::microseconds(frame % 2 == 0 ? 400 : 50));
  FrameResult result;
  result.count = {(point + 1) * (frame % 3), 1000};
  result.symbols = 500;
  result.noise_sum = 500 * 0.01 * static_cast<double>(frame + 1);
  return result;
}

FrameResult counted(std::uint64_t errors) {
  FrameResult result;
  result.count = {errors, 100};
  return result;
}

}  // namespace

TEST_CASE("a point ends with the frame that reaches the target, in frame order") {
  Tally tally({5, 100});
  tally.add(2, counted(50));  // finished early; two frames are missing before it
  CHECK(tally.frames() == 0);
  tally.add(0, counted(3));
  CHECK_FALSE(tally.done());
  tally.add(1, counted(2));
  CHECK(tally.done());
  CHECK(tally.frames() == 2);
  CHECK(tally.total().count.errors == 5);  // frame 2 was computed ahead and is not needed
  tally.add(3, counted(9));
  CHECK(tally.total().count.errors == 5);
}

TEST_CASE("a point without a target runs all its frames") {
  Tally tally({0, 2});
  tally.add(0, counted(1000));
  CHECK_FALSE(tally.done());
  tally.add(1, counted(0));
  CHECK(tally.done());
}

TEST_CASE("tallies do not depend on the number of threads") {
  const std::vector<StopRule> rules = {{10, 40}, {1000000, 7}, {1, 40}, {0, 5}, {25, 40}};
  const auto alone = run_on_threads(rules, fake_frame, 1, {});
  for (const unsigned threads : {2u, 3u, 8u}) {
    const auto together = run_on_threads(rules, fake_frame, threads, {});
    for (std::size_t i = 0; i < rules.size(); ++i) {
      CHECK(together[i].frames() == alone[i].frames());
      CHECK(together[i].total().count.errors == alone[i].total().count.errors);
      CHECK(together[i].total().noise_sum == alone[i].total().noise_sum);  // same order of addition
    }
  }
  CHECK(alone[1].frames() == 7);
  CHECK(alone[3].frames() == 5);
}

TEST_CASE("lanes keep to frames of their own while there are any, and help each other out at the end") {
  ExecutorHooks hooks;
  hooks.by_frame = true;
  hooks.lanes = 2;
  Dispatcher dispatcher(std::vector<StopRule>(3, StopRule{0, 5}), {{0}, {1}, {2}}, hooks);
  std::set<std::pair<std::size_t, std::uint64_t>> seen;
  std::size_t foreign = 0;
  for (unsigned turn = 0;; ++turn) {
    Assignment work;
    if (dispatcher.offer(work, turn % 2) != Dispatcher::Answer::kWork) break;
    CHECK(seen.emplace(work.unit, work.frame).second);
    foreign += work.frame % 2 != turn % 2;
    dispatcher.count(work.unit, work.frame, FrameResult());
    dispatcher.finish(work);
  }
  CHECK(seen.size() == 15);
  CHECK(foreign <= 2);  // nine frames are even, six odd: lane 1 takes one or two of lane 0's at the end
  for (const Tally& tally : dispatcher.tallies()) CHECK(tally.frames() == 5);
}

TEST_CASE("no frame is started ahead for a lane before its point is known to need it") {
  ExecutorHooks hooks;
  hooks.by_frame = true;
  hooks.lanes = 2;
  Dispatcher dispatcher({StopRule{100, 50}}, {{0}}, hooks);
  Assignment work;
  CHECK(dispatcher.offer(work, 1) == Dispatcher::Answer::kWork);
  CHECK(work.frame == 0);
}

TEST_CASE("a failing frame ends the run with its own exception") {
  std::atomic<int> calls = 0;
  const FrameFunction failing = [&](std::size_t point, std::uint64_t frame) {
    ++calls;
    if (point == 1) throw std::invalid_argument("point 1 cannot work");
    return fake_frame(point, frame);
  };
  CHECK_THROWS_WITH_AS(run_on_threads({{0, 1000}, {0, 1000}}, failing, 2, {}), "point 1 cannot work",
                       std::invalid_argument);
  CHECK(calls < 2000);
}

TEST_CASE("progress counts up to the end and knows what it does not know") {
  SweepProgress last;
  bool ever_uncertain = false;
  const auto look = [&](const SweepProgress& now, std::size_t, const Tally&) {
    last = now;
    ever_uncertain |= !now.certain;
  };
  ExecutorHooks hooks;
  hooks.progress = look;
  run_on_threads({{10, 40}, {0, 5}}, fake_frame, 2, hooks);
  CHECK(last.points_done == 2);
  CHECK(last.certain);
  CHECK(ever_uncertain);  // the first frame of every point has no errors
}

TEST_CASE("every index is worked on once") {
  std::vector<std::atomic<int>> seen(100);
  for_each_index(seen.size(), 3, [&](std::size_t i) { ++seen[i]; });
  for (const auto& times : seen) CHECK(times == 1);
  CHECK_THROWS_AS(for_each_index(5, 2,
                                 [](std::size_t i) {
                                   if (i == 3) throw std::runtime_error("three");
                                 }),
                  std::runtime_error);
}

TEST_CASE("threads are one per core unless asked for, and never more than jobs") {
  CHECK(thread_count(3, 100) == 3);
  CHECK(thread_count(3, 2) == 2);
  CHECK(thread_count(0, 1) == 1);
  CHECK(thread_count(0, 0) == 1);
  CHECK(thread_count(0, 1000) >= 1);
}
