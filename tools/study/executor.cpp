#include "tools/study/executor.h"

#include <algorithm>
#include <atomic>
#include <cmath>
#include <condition_variable>
#include <exception>
#include <mutex>
#include <thread>

namespace cohlink {
namespace {

/// Keeps the failure of the lowest index, so that the same bad sweep gives the same message.
class FirstFailure {
 public:
  void note(std::size_t index, std::exception_ptr failure) {
    if (!failure_ || index < index_) {
      index_ = index;
      failure_ = std::move(failure);
    }
  }
  explicit operator bool() const { return failure_ != nullptr; }
  void rethrow() const {
    if (failure_) std::rethrow_exception(failure_);
  }

 private:
  std::size_t index_ = 0;
  std::exception_ptr failure_;
};

void run_threads(unsigned threads, const std::function<void()>& body) {
  std::vector<std::thread> pool;
  for (unsigned i = 1; i < threads; ++i) pool.emplace_back(body);
  body();
  for (auto& thread : pool) thread.join();
}

/// The frames still to be computed, handed out one at a time.
class Dispatcher {
 public:
  Dispatcher(const std::vector<StopRule>& rules, const ProgressFunction& progress) : progress_(progress) {
    for (const auto& rule : rules) points_.push_back({Tally(rule)});
  }

  /// Waits for a frame worth starting. False when all points are done or something failed.
  bool next(std::size_t& point, std::uint64_t& frame) {
    std::unique_lock lock(mutex_);
    for (;;) {
      if (failure_ || done_ == points_.size()) return false;
      if (pick(point)) {
        frame = points_[point].started++;
        ++points_[point].running;
        return true;
      }
      changed_.wait(lock);
    }
  }

  void finish(std::size_t point, std::uint64_t frame, FrameResult result) {
    const std::lock_guard lock(mutex_);
    Entry& entry = points_[point];
    --entry.running;
    ++frames_run_;
    const bool was_done = entry.tally.done();
    entry.tally.add(frame, std::move(result));
    if (entry.tally.done() && !was_done) ++done_;
    while (first_open_ < points_.size() && points_[first_open_].tally.done()) ++first_open_;
    if (progress_) progress_(summary(), point, entry.tally);
    changed_.notify_all();
  }

  void fail(std::size_t point, std::exception_ptr failure) {
    const std::lock_guard lock(mutex_);
    failure_.note(point, std::move(failure));
    changed_.notify_all();
  }

  std::vector<Tally> tallies() {
    failure_.rethrow();
    std::vector<Tally> result;
    for (auto& entry : points_) result.push_back(std::move(entry.tally));
    return result;
  }

 private:
  struct Entry {
    Tally tally;
    std::uint64_t started = 0;
    std::size_t running = 0;
  };

  /// Fewest frames in flight first, then the lowest index: threads spread over points while there are
  /// points enough, and only then compute frames ahead that a stop rule may turn out not to need.
  bool pick(std::size_t& point) const {
    bool found = false;
    for (std::size_t i = first_open_; i < points_.size(); ++i) {
      const Entry& entry = points_[i];
      if (entry.tally.done() || entry.started >= entry.tally.rule().frames) continue;
      if (!found || entry.running < points_[point].running) {
        point = i;
        found = true;
      }
      if (points_[point].running == 0) break;
    }
    return found;
  }

  SweepProgress summary() const {
    SweepProgress result{points_.size(), done_, frames_run_, 0.0, true};
    for (const auto& entry : points_) {
      result.frames_expected +=
          entry.tally.done() ? static_cast<double>(entry.tally.frames()) : entry.tally.expected_frames();
      if (!entry.tally.done() && entry.tally.total().count.errors == 0 && entry.tally.rule().frames > 1)
        result.certain = false;
    }
    return result;
  }

  std::mutex mutex_;
  std::condition_variable changed_;
  std::vector<Entry> points_;
  std::size_t done_ = 0, first_open_ = 0;
  std::uint64_t frames_run_ = 0;
  FirstFailure failure_;
  const ProgressFunction& progress_;
};

}  // namespace

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
                                  unsigned threads, const ProgressFunction& progress) {
  Dispatcher dispatcher(rules, progress);
  run_threads(threads, [&] {
    std::size_t point = 0;
    std::uint64_t frame = 0;
    while (dispatcher.next(point, frame)) {
      try {
        dispatcher.finish(point, frame, run(point, frame));
      } catch (...) {
        dispatcher.fail(point, std::current_exception());
      }
    }
  });
  return dispatcher.tallies();
}

void for_each_index(std::size_t count, unsigned threads, const std::function<void(std::size_t)>& work) {
  std::atomic<std::size_t> next = 0;
  std::atomic<bool> failed = false;
  std::mutex mutex;
  FirstFailure failure;
  run_threads(threads, [&] {
    for (std::size_t i = next++; i < count && !failed; i = next++) {
      try {
        work(i);
      } catch (...) {
        const std::lock_guard lock(mutex);
        failure.note(i, std::current_exception());
        failed = true;
      }
    }
  });
  failure.rethrow();
}

unsigned thread_count(std::int64_t asked, std::size_t jobs) {
  const std::uint64_t cores = std::max(1u, std::thread::hardware_concurrency());
  const std::uint64_t wanted = asked > 0 ? static_cast<std::uint64_t>(asked) : cores;
  return static_cast<unsigned>(std::clamp<std::uint64_t>(jobs, 1, wanted));
}

}  // namespace cohlink
