#include "tools/study/run/executor.h"

#include <malloc.h>

#include <algorithm>
#include <atomic>
#include <chrono>
#include <cmath>
#include <condition_variable>
#include <exception>
#include <mutex>
#include <thread>
#include <tuple>

namespace cohlink {
Dispatcher::Dispatcher(const std::vector<StopRule>& rules, std::vector<std::vector<std::size_t>> units,
                       const ExecutorHooks& hooks)
    : hooks_(hooks) {
  for (std::size_t i = 0; i < rules.size(); ++i) {
    points_.push_back({Tally(rules[i]), hooks.known.empty() ? nullptr : &hooks.known[i]});
    if (points_[i].known != nullptr) {
      frames_known_ += points_[i].known->size();
      for (const auto& [frame, result] : *points_[i].known) points_[i].tally.add(frame, result);
    }
    done_ += points_[i].tally.done();
    expect(i, +1.0);
  }
  for (auto& points : units) {
    units_.push_back({std::move(points)});
    skip_known(units_.back());
  }
  move_first();
}

Dispatcher::Answer Dispatcher::offer(Assignment& assignment, unsigned lane) {
  const std::lock_guard lock(mutex_);
  if (failure_ || done_ == points_.size()) return Answer::kFinished;
  const auto choice = pick_any(lane);
  if (!choice) return Answer::kWait;
  assign(*choice, assignment);
  return Answer::kWork;
}

bool Dispatcher::next(Assignment& assignment, unsigned lane) {
  std::unique_lock lock(mutex_);
  for (;;) {
    if (failure_ || done_ == points_.size()) return false;
    if (const auto choice = pick_any(lane)) {
      assign(*choice, assignment);
      return true;
    }
    changed_.wait(lock);
  }
}

void Dispatcher::assign(const Choice& choice, Assignment& assignment) {
  Unit& unit = units_[choice.unit];
  assignment = {choice.unit, choice.frame, missing(unit, choice.frame)};
  if (hooks_.supply.claim) hooks_.supply.claim(assignment.points.front(), assignment.frame);
  if (choice.frame == unit.started)
    ++unit.started;
  else
    unit.ahead.insert(choice.frame);
  ++unit.running;
  skip_known(unit);
}

void Dispatcher::count(std::size_t point, std::uint64_t frame, FrameResult result) {
  const std::lock_guard lock(mutex_);
  if (hooks_.computed) hooks_.computed(point, frame, result);
  ++frames_run_;
  Tally& tally = points_[point].tally;
  const bool was_done = tally.done();
  expect(point, -1.0);
  tally.add(frame, std::move(result));
  expect(point, +1.0);
  if (tally.done() && !was_done) ++done_;
  if (hooks_.progress) hooks_.progress(summary(), point, tally);
  if (done_ == points_.size()) changed_.notify_all();
}

void Dispatcher::finish(const Assignment& assignment) {
  const std::lock_guard lock(mutex_);
  Unit& unit = units_[assignment.unit];
  --unit.running;
  skip_known(unit);
  move_first();
  changed_.notify_all();
}

void Dispatcher::fail(std::size_t point, std::exception_ptr failure) {
  const std::lock_guard lock(mutex_);
  if (!failure_ || point < failed_point_) {
    failed_point_ = point;
    failure_ = std::move(failure);
  }
  changed_.notify_all();
}

bool Dispatcher::finished() const {
  const std::lock_guard lock(mutex_);
  return failure_ || done_ == points_.size();
}

void Dispatcher::wake() {
  const std::lock_guard lock(mutex_);
  changed_.notify_all();
}

std::vector<Tally> Dispatcher::tallies() {
  if (failure_) std::rethrow_exception(failure_);
  std::vector<Tally> result;
  for (auto& point : points_) result.push_back(std::move(point.tally));
  return result;
}

bool Dispatcher::wants(std::size_t index, std::uint64_t frame) const {
  const Point& point = points_[index];
  return !point.tally.done() && frame < point.tally.rule().frames &&
         (point.known == nullptr || point.known->count(frame) == 0);
}

/// Points of the unit that still want this frame.
std::vector<std::size_t> Dispatcher::missing(const Unit& unit, std::uint64_t frame) const {
  std::vector<std::size_t> wanting;
  for (const std::size_t i : unit.points)
    if (wants(i, frame)) wanting.push_back(i);
  return wanting;
}

bool Dispatcher::open(const Unit& unit) const {
  return std::any_of(unit.points.begin(), unit.points.end(),
                     [&](std::size_t i) { return wants(i, unit.started); });
}

/// Past frames that were handed out, and those that every open point of the unit has from before.
void Dispatcher::skip_known(Unit& unit) {
  std::uint64_t last = 0;
  for (const std::size_t i : unit.points)
    if (!points_[i].tally.done()) last = std::max(last, points_[i].tally.rule().frames);
  while (unit.started < last && (unit.ahead.erase(unit.started) > 0 || !open(unit))) ++unit.started;
}

void Dispatcher::move_first() {
  const auto all_done = [&](const Unit& unit) {
    return std::all_of(unit.points.begin(), unit.points.end(),
                       [&](std::size_t i) { return points_[i].tally.done(); });
  };
  while (first_open_ < units_.size() && all_done(units_[first_open_])) ++first_open_;
}

/// Fewest frames in flight first, then the lowest index: workers spread over points while there are points
/// enough, and only then compute frames ahead that a stop rule may turn out not to need.
std::optional<Dispatcher::Choice> Dispatcher::pick() const {
  std::optional<Choice> found;
  for (std::size_t i = first_open_; i < units_.size(); ++i) {
    if (!open(units_[i])) continue;
    if (!found || units_[i].running < units_[found->unit].running) found = {i, units_[i].started};
    if (units_[found->unit].running == 0) break;
  }
  return found;
}

std::optional<Dispatcher::Choice> Dispatcher::pick_any(unsigned lane) const {
  return hooks_.supply.readiness || hooks_.by_frame ? pick_in_window(lane) : pick();
}

/// The unit's next frame, or a later one of the lane that a stop rule is going to need as well.
std::uint64_t Dispatcher::frame_for(const Unit& unit, unsigned lane) const {
  for (std::uint64_t frame = unit.started; frame < unit.started + hooks_.lanes; ++frame) {
    if (frame % hooks_.lanes != lane || unit.ahead.count(frame) > 0) continue;
    const bool needed =
        frame == unit.started || std::any_of(unit.points.begin(), unit.points.end(), [&](std::size_t i) {
          const Tally& tally = points_[i].tally;
          return wants(i, frame) &&
                 (tally.rule().target_errors == 0 ||
                  (tally.total().count.errors > 0 && static_cast<double>(frame) < tally.expected_frames()));
        });
    if (needed) return frame;
  }
  return unit.started;
}

/// With a supply: first what nobody is at and is ready, so that what was made is used up frame by frame; then
/// what must be made, unless somebody is making it. With lanes first the lane's own frames. Looks at the
/// first few thousand open points.
std::optional<Dispatcher::Choice> Dispatcher::pick_in_window(unsigned lane) const {
  constexpr std::size_t kWindow = 4096;
  // In flight, of another lane, not ready, frame: small is good.
  using Rank = std::tuple<bool, bool, bool, std::uint64_t>;
  Rank best;
  std::optional<Choice> found;
  std::size_t seen = 0;
  for (std::size_t i = first_open_; i < units_.size() && seen < kWindow; ++i) {
    const Unit& candidate = units_[i];
    if (!open(candidate)) continue;
    ++seen;
    const std::uint64_t frame = frame_for(candidate, lane);
    const Readiness readiness =
        hooks_.supply.readiness ? hooks_.supply.readiness(candidate.points.front(), frame) : Readiness::kNew;
    if (readiness == Readiness::kMaking) continue;
    const Rank rank{candidate.running > 0, frame % hooks_.lanes != lane, readiness != Readiness::kReady,
                    frame};
    if (!found || rank < best) {
      found = {i, frame};
      best = rank;
    }
    if (!std::get<0>(best) && !std::get<1>(best) && !std::get<2>(best)) break;
  }
  return found;
}

/// A point's share of the expectation, added or (sign -1) taken away: with 100,000 points nobody can afford
/// to add them all up at every frame. Whole numbers, so that nothing is lost.
void Dispatcher::expect(std::size_t point, double sign) {
  const Tally& tally = points_[point].tally;
  frames_expected_ += sign * (tally.done() ? static_cast<double>(tally.frames()) : tally.expected_frames());
  if (tally.done() || tally.total().count.errors > 0 || tally.rule().frames <= 1) return;
  if (sign > 0)
    ++uncertain_;
  else
    --uncertain_;
}

SweepProgress Dispatcher::summary() const {
  // Of this run: what earlier ones left took no time of it.
  const double expected = frames_expected_ - static_cast<double>(frames_known_);
  return {points_.size(), done_, frames_run_, std::max(static_cast<double>(frames_run_), expected),
          uncertain_ == 0};
}

Tally Tally::counted(StopRule rule, std::uint64_t frames, FrameResult total) {
  Tally tally(rule);
  tally.counted_ = frames;
  tally.total_ = std::move(total);
  tally.done_ = true;
  return tally;
}

void Tally::add(std::uint64_t frame, FrameResult result) {
  if (done_) return;
  ahead_.emplace(frame, std::move(result));
  for (auto next = ahead_.find(counted_); next != ahead_.end() && !done_; next = ahead_.find(counted_)) {
    total_ += next->second;
    ahead_.erase(next);
    ++counted_;
    const bool enough = rule_.target_errors > 0 && total_.count.errors >= rule_.target_errors;
    done_ = enough || counted_ >= rule_.frames;
  }
  if (done_) ahead_.clear();
}

double Tally::expected_frames() const {
  const auto most = static_cast<double>(rule_.frames);
  const auto errors = static_cast<double>(total_.count.errors);
  if (rule_.target_errors == 0 || errors == 0.0) return most;
  return std::min(
      most, std::ceil(static_cast<double>(counted_) * static_cast<double>(rule_.target_errors) / errors));
}

std::vector<Tally> run_on_threads(const std::vector<StopRule>& rules, const FrameFunction& run,
                                  unsigned threads, const ExecutorHooks& hooks) {
  std::vector<std::vector<std::size_t>> units;
  for (std::size_t i = 0; i < rules.size(); ++i) units.push_back({i});
  Dispatcher dispatcher(rules, std::move(units), hooks);
  if (hooks.supply.listen) hooks.supply.listen([&] { dispatcher.wake(); });
  run_threads(threads, [&] {
    Assignment work;
    while (dispatcher.next(work)) {
      const std::size_t point = work.points.front();
      try {
        dispatcher.count(point, work.frame, run(point, work.frame));
        dispatcher.finish(work);
      } catch (...) {
        dispatcher.fail(point, std::current_exception());
      }
    }
  });
  if (hooks.supply.listen) hooks.supply.listen({});
  return dispatcher.tallies();
}

void keep_memory() {
  constexpr int kNever = 1 << 30;  // bytes
  mallopt(M_MMAP_THRESHOLD, kNever);
  mallopt(M_TRIM_THRESHOLD, kNever);
}

unsigned thread_count(std::int64_t asked, std::size_t jobs) {
  const std::uint64_t cores = std::max(1u, std::thread::hardware_concurrency());
  const std::uint64_t wanted = asked > 0 ? static_cast<std::uint64_t>(asked) : cores;
  return static_cast<unsigned>(std::clamp<std::uint64_t>(jobs, 1, wanted));
}

}  // namespace cohlink
