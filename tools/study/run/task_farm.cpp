#include "tools/study/run/task_farm.h"

#include <algorithm>
#include <thread>

#include "tools/study/parts/ranks.h"
#include "tools/study/run/executor.h"
#include "tools/study/run/record.h"

namespace cohlink {
namespace {

class Farm {
 public:
  Farm(const TaskFarm& farm, const FarmOptions& options) : farm_(farm), options_(options) {
    for (std::size_t task = 0; task < farm.count; ++task)
      if (farm.ours(task)) selected_.push_back(task);
    result_.lines.resize(farm.count);
  }

  FarmResult lead() {
    use_journal();
    hooks_.progress = [this](const SweepProgress& now, std::size_t, const Tally&) {
      if (options_.progress) options_.progress(now.points_done, now.points);
    };
    std::vector<std::vector<std::size_t>> units;
    for (std::size_t i = 0; i < selected_.size(); ++i) units.push_back({i});
    Dispatcher dispatcher(std::vector<StopRule>(selected_.size(), StopRule{0, 1}), std::move(units), hooks_);
    std::vector<std::thread> pool;
    const auto workers = std::min<std::size_t>(options_.threads, selected_.size());
    for (std::size_t i = 0; i < workers; ++i)
      pool.emplace_back([&] {
        for (Assignment work; dispatcher.next(work);)
          settle(dispatcher, work, [&] { return farm_.compute(selected_[work.points.front()]); });
      });
    if (world().size > 1)
      result_.last_words = lead_ranks(dispatcher, 1, [&](const Assignment& work, const std::string& reply) {
        settle(dispatcher, work, [&] {
          throw_if_failure(reply);
          return reply;
        });
      });
    for (auto& thread : pool) thread.join();
    dispatcher.tallies();  // throws what went wrong
    return std::move(result_);
  }

  void follow() {
    follow_rank(
        options_.threads,
        [&](const Assignment& work) { return farm_.compute(selected_[work.points.front()]); },
        [&] { return options_.last_words; });
  }

 private:
  template <class Make>
  void settle(Dispatcher& dispatcher, const Assignment& work, Make make) {
    const std::size_t place = work.points.front();
    try {
      result_.lines[selected_[place]] = make();
      dispatcher.count(place, 0, {});
      dispatcher.finish(work);
    } catch (...) {
      dispatcher.fail(place, std::current_exception());
    }
  }

  /// Records: "task line".
  void use_journal() {
    if (options_.journal == nullptr) return;
    hooks_.known.resize(selected_.size());
    for (const std::string& text : options_.journal->records()) {
      std::string_view rest = text;
      const std::size_t task = leading_number(rest);
      const auto place = std::lower_bound(selected_.begin(), selected_.end(), task);
      if (place == selected_.end() || *place != task) continue;
      result_.lines[task] = rest;
      hooks_.known[static_cast<std::size_t>(place - selected_.begin())][0] = {};
    }
    hooks_.computed = [this](std::size_t place, std::uint64_t, const FrameResult&) {
      options_.journal->add(std::to_string(selected_[place]) + " " + result_.lines[selected_[place]]);
    };
  }

  const TaskFarm& farm_;
  const FarmOptions& options_;
  std::vector<std::size_t> selected_;
  ExecutorHooks hooks_;
  FarmResult result_;
};

}  // namespace

FarmResult run_tasks(const TaskFarm& farm, const FarmOptions& options) {
  Farm work(farm, options);
  if (world().leads()) return work.lead();
  work.follow();
  return {};
}

}  // namespace cohlink
