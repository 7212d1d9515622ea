#include "tools/study/run/rank_frames.h"

#include <algorithm>
#include <list>
#include <mutex>

#include "sim/signal/scenario/errors.h"
#include "tools/study/parts/ranks.h"
#include "tools/study/plan/arithmetic.h"
#include "tools/study/run/executor.h"
#include "tools/study/run/record.h"

namespace cohlink {
namespace {

// A job is "frame" on a line of its own, and the scenario's text.
std::string job_of(const std::string& scenario, std::uint64_t frame) {
  return std::to_string(frame) + "\n" + scenario;
}

/// Scenarios that rank 0 asked for lately, set up once each.
class LateScenarios {
 public:
  explicit LateScenarios(const SourceMaker& source) : source_(source) {}

  std::string frame(const std::string& job) {
    const auto end = job.find('\n');
    const FrameSource frames = of(job.substr(end + 1));
    return to_line(frames(std::stoull(job.substr(0, end))));
  }

 private:
  static constexpr std::size_t kMost = 8;
  struct Known {
    std::string text;
    FrameSource frames;
  };
  FrameSource of(const std::string& text) {
    const std::lock_guard lock(mutex_);
    const auto at =
        std::find_if(latest_.begin(), latest_.end(), [&](const Known& k) { return k.text == text; });
    if (at != latest_.end()) {
      latest_.splice(latest_.begin(), latest_, at);
    } else {
      Scenario scenario;
      scenario.read_text(text, "scenario of rank 0");
      latest_.push_front({text, late(source_, scenario)});
      if (latest_.size() > kMost) latest_.pop_back();
    }
    return latest_.front().frames;
  }

  const SourceMaker& source_;
  std::mutex mutex_;
  std::list<Known> latest_;
};

/// Frames by the courier.
SourceMaker carried(const SourceMaker& local, Courier& courier) {
  return [&local, &courier](const Scenario& scenario) -> FrameSource {
    return [&courier, here = late(local, scenario), text = scenario.resolved()](std::uint64_t frame) {
      return frame_result_from(courier.answer(job_of(text, frame), [&] { return to_line(here(frame)); }));
    };
  };
}

}  // namespace

unsigned threads_of_rank(std::int64_t asked, std::size_t jobs) {
  return thread_count(world().size > 1 && asked == 0 ? 1 : asked, jobs);
}

void share_frames(const SourceMaker& local, const FftCache& fft, unsigned threads,
                  const std::function<void(const FrameWork&)>& study,
                  const std::function<void(const std::string&)>& remark) {
  if (!all_go_on(true)) throw RunError("another rank could not start");
  if (world().size == 1) return study({local, threads});
  Courier courier(threads);
  const auto last_words = courier.serve([&] { study({carried(local, courier), courier.places()}); });
  const std::string own = arithmetic_of(fft);
  for (const std::string& other : last_words)
    if (const auto what = unlike_arithmetic(own, other); !what.empty())
      return remark(arithmetic_remark("the ranks", what));
}

void follow_frames(const SourceMaker& local, const FftCache& fft, unsigned threads) {
  if (!all_go_on(true)) return;
  LateScenarios scenarios(local);
  answer_courier(
      threads, [&](const std::string& job) { return scenarios.frame(job); },
      [&] { return arithmetic_of(fft); });
}

}  // namespace cohlink
