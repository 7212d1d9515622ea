#include "tools/study/run/rank_frames.h"

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
    const auto set_up = of(job.substr(end + 1));
    std::call_once(set_up->once, [&] { set_up->frames = source_(scenario_of(set_up->text)); });
    return to_line(set_up->frames(std::stoull(job.substr(0, end))));
  }

 private:
  static constexpr std::size_t kMost = 8;
  struct SetUp {
    explicit SetUp(std::string scenario) : text(std::move(scenario)) {}
    std::string text;
    std::once_flag once;
    FrameSource frames;
  };
  static Scenario scenario_of(const std::string& text) {
    Scenario scenario;
    scenario.read_text(text, "scenario of rank 0");
    return scenario;
  }
  std::shared_ptr<SetUp> of(const std::string& text) {
    const std::lock_guard lock(mutex_);
    for (auto at = latest_.begin(); at != latest_.end(); ++at)
      if ((*at)->text == text) {
        latest_.splice(latest_.begin(), latest_, at);
        return latest_.front();
      }
    latest_.push_front(std::make_shared<SetUp>(text));
    if (latest_.size() > kMost) latest_.pop_back();
    return latest_.front();
  }

  const SourceMaker& source_;
  std::mutex mutex_;
  std::list<std::shared_ptr<SetUp>> latest_;
};

/// Frames by the courier; set up here when the first of them is computed here.
SourceMaker carried(const SourceMaker& local, Courier& courier) {
  return [&local, &courier](const Scenario& scenario) -> FrameSource {
    struct Here {
      std::once_flag once;
      FrameSource frames;
    };
    const auto here = std::make_shared<Here>();
    return [&local, &courier, here, scenario, text = scenario.resolved()](std::uint64_t frame) {
      return frame_result_from(courier.answer(job_of(text, frame), [&] {
        std::call_once(here->once, [&] { here->frames = local(scenario); });
        return to_line(here->frames(frame));
      }));
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
