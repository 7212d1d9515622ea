#include <algorithm>
#include <list>
#include <map>
#include <memory>
#include <mutex>
#include <thread>

#include "tools/study/run/at_point.h"
#include "tools/study/run/record.h"
#include "tools/study/run/reuse.h"
#include "tools/study/run/sweep_work.h"

namespace cohlink {
namespace {

/// Benches of the points in flight: built when needed, the one used longest ago dropped.
class Benches {
 public:
  Benches(const SweepPlan& plan, const FftCache& fft) : plan_(plan), fft_(fft), slots_(plan.points.size()) {}

  std::shared_ptr<const Bench> get(std::size_t index) {
    {
      const std::lock_guard lock(mutex_);
      if (slots_[index]) return slots_[index];
    }
    auto bench = std::make_shared<const Bench>(plan_.points[index].scenario, fft_);
    const std::lock_guard lock(mutex_);
    if (slots_[index]) return slots_[index];  // another thread was faster
    slots_[index] = bench;
    alive_.push_back(index);
    if (alive_.size() > kMostAlive) {
      slots_[alive_.front()].reset();
      alive_.pop_front();
    }
    return bench;
  }
  void drop(std::size_t index) {
    const std::lock_guard lock(mutex_);
    if (!slots_[index]) return;
    slots_[index].reset();
    alive_.remove(index);
  }

 private:
  static constexpr std::size_t kMostAlive = 256;
  const SweepPlan& plan_;
  const FftCache fft_;
  std::mutex mutex_;
  std::vector<std::shared_ptr<const Bench>> slots_;
  std::list<std::size_t> alive_;
};

/// The frames of a sweep, computed wherever: by threads of this process or of another rank.
class FrameSweep {
 public:
  FrameSweep(const SweepOrder& order, const SweepRunOptions& options, const FftCache& fft)
      : plan_(order.plan),
        output_(order.output),
        options_(options),
        selected_(points_of(order.plan, options.part)),
        benches_(order.plan, fft),
        reuse_(reuse_rule(order.plan, options.threads)) {}

  SweepRecords run() {
    std::vector<StopRule> rules;
    for (const std::size_t index : selected_) rules.push_back(plan_.points[index].stop);
    const bool alone = world().size == 1;
    hooks_.progress = [&](const SweepProgress& now, std::size_t point, const Tally& tally) {
      if (tally.done()) benches_.drop(selected_[point]);
      if (options_.progress) options_.progress(now);
    };
    if (options_.journal != nullptr) use_journal();
    if (alone) {
      share_within_process();
      const auto run = [&](std::size_t p, std::uint64_t f) { return frame_of(selected_[p], f); };
      return {run_on_threads(rules, run, options_.threads, hooks_), {}, {}, {}};
    }
    return {lead(rules), {}, {}, {}};
  }

  /// What another rank does for rank 0.
  void follow(const std::function<std::string()>& last_words) {
    follow_rank(
        options_.threads, [&](const Assignment& work) { return compute(work); }, last_words);
  }

  /// How the other ranks round.
  const std::vector<std::string>& last_words() const { return last_words_; }

 private:
  FrameResult frame_of(std::size_t index, std::uint64_t frame) {
    return at_point(plan_, index, [&](const SweepPoint& point) {
      FrameResult result = reuse_.run(*benches_.get(index), frame, point.addresses);
      result.keep_output(output_);
      return result;
    });
  }

  void share_within_process() {
    const ReuseRule rule = reuse_rule(plan_, options_.threads);
    if (std::none_of(rule.cuts.begin(), rule.cuts.end(), [](bool kept) { return kept; })) return;
    for (const std::size_t index : selected_) inputs_.push_back(stage_inputs(plan_.points[index].scenario));
    hooks_.supply.readiness = [&](std::size_t p, std::uint64_t frame) {
      return reuse_.readiness(inputs_[p], frame, plan_.points[selected_[p]].addresses);
    };
    hooks_.supply.claim = [&](std::size_t p, std::uint64_t frame) {
      reuse_.claim(inputs_[p], frame, plan_.points[selected_[p]].addresses);
    };
    hooks_.supply.listen = [&](std::function<void()> listener) { reuse_.listen(std::move(listener)); };
  }

  void use_journal() {
    std::vector<std::size_t> place(plan_.points.size(), SIZE_MAX);
    for (std::size_t p = 0; p < selected_.size(); ++p) place[selected_[p]] = p;
    hooks_.known.resize(selected_.size());
    for (const std::string& text : options_.journal->records()) {
      FrameRecord record = frame_record_from(text);
      if (record.point < place.size() && place[record.point] != SIZE_MAX)
        hooks_.known[place[record.point]].emplace(record.frame, std::move(record.result));
    }
    hooks_.computed = [&](std::size_t p, std::uint64_t frame, const FrameResult& result) {
      options_.journal->add(to_line(selected_[p], frame, result));
    };
  }

  /// All points of an assignment, one record a line.
  std::string compute(const Assignment& work) {
    std::string text;
    for (const std::size_t p : work.points)
      text += to_line(p, work.frame, frame_of(selected_[p], work.frame)) + "\n";
    return text;
  }

  /// Rank 0: its own threads and the other ranks take assignments from one dispatcher. Sets of points that
  /// share a line go to one rank together.
  std::vector<Tally> lead(const std::vector<StopRule>& rules) {
    std::map<std::size_t, std::size_t> place;
    for (std::size_t p = 0; p < selected_.size(); ++p) place[selected_[p]] = p;
    std::vector<std::vector<std::size_t>> units;
    for (const auto& points : sharing_units(plan_)) {
      std::vector<std::size_t> mine;
      for (const std::size_t index : points)
        if (place.count(index) > 0) mine.push_back(place[index]);
      if (!mine.empty()) units.push_back(std::move(mine));
    }
    const auto kept = reuse_rule(plan_, options_.threads).cuts;
    hooks_.by_frame = std::any_of(kept.begin(), kept.end(), [](bool cut) { return cut; });
    // Ranks that take different frames need not all make what the points of a frame share.
    constexpr int kMostLanes = 4;
    if (hooks_.by_frame) hooks_.lanes = static_cast<unsigned>(std::min(world().size, kMostLanes));
    Dispatcher dispatcher(rules, std::move(units), hooks_);
    std::vector<std::thread> pool;
    for (unsigned i = 0; i < options_.threads; ++i) pool.emplace_back([&] { work_for(dispatcher); });
    last_words_ = lead_ranks(dispatcher, hooks_.lanes, [&](const Assignment& work, const std::string& reply) {
      try {
        throw_if_failure(reply);
        for (const std::string& line : lines_of(reply)) {
          FrameRecord record = frame_record_from(line);
          dispatcher.count(record.point, record.frame, std::move(record.result));
        }
        dispatcher.finish(work);
      } catch (...) {
        dispatcher.fail(work.points.front(), std::current_exception());
      }
    });
    for (auto& thread : pool) thread.join();
    return dispatcher.tallies();
  }

  void work_for(Dispatcher& dispatcher) {
    for (Assignment work; dispatcher.next(work);) {
      try {
        for (const std::size_t p : work.points)
          dispatcher.count(p, work.frame, frame_of(selected_[p], work.frame));
        dispatcher.finish(work);
      } catch (...) {
        dispatcher.fail(work.points.front(), std::current_exception());
      }
    }
  }

  const SweepPlan& plan_;
  const std::string& output_;
  const SweepRunOptions& options_;
  std::vector<std::size_t> selected_;
  Benches benches_;
  FrameReuse reuse_;
  std::vector<StageInputs> inputs_;  // by selected point
  ExecutorHooks hooks_;
  std::vector<std::string> last_words_;
};

}  // namespace

SweepWork frame_sweep(const SweepOrder& order, const SweepRunOptions& options, const FftCache& fft) {
  const auto sweep = std::make_shared<FrameSweep>(order, options, fft);
  return {[sweep] { return sweep->run(); },
          [sweep](const std::function<std::string()>& last_words) { sweep->follow(last_words); },
          [sweep] { return sweep->last_words(); }};
}

}  // namespace cohlink
