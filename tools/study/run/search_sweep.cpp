#include <algorithm>
#include <map>
#include <memory>
#include <thread>

#include "tools/study/plan/fingerprint.h"
#include "tools/study/run/at_point.h"
#include "tools/study/run/record.h"
#include "tools/study/run/reuse.h"
#include "tools/study/run/sweep_work.h"
#include "tools/study/search/required_osnr_curve.h"
#include "tools/study/search/search.h"

namespace cohlink {
namespace {

/// Scenarios without repetition: what is the same, but for keys that decide no number, stands once.
class DistinctScenarios {
 public:
  std::size_t place(const Scenario& scenario) {
    const auto [at, added] = places_.try_emplace(fingerprint(deciding_text(scenario)).text(), all_.size());
    if (added) all_.push_back(scenario);
    return at->second;
  }
  const std::vector<Scenario>& all() const { return all_; }

 private:
  std::map<std::string, std::size_t> places_;
  std::vector<Scenario> all_;
};

/// The searches of a sweep over required OSNRs: those of the references of a penalty, then those of the
/// points that are no reference; each is one piece of work. Threads of this process and other ranks take them
/// from one dispatcher; what a search finds does not depend on who makes it.
class SearchSweep {
 public:
  SearchSweep(const SweepOrder& order, const SweepRunOptions& options, const FftCache& fft)
      : order_(order), options_(options), selected_(points_of(order.plan, options.part)) {
    DistinctScenarios distinct;
    if (order.measure == SweepMeasure::kPenalty)
      for (const std::size_t point : selected_)
        reference_jobs_.push_back(
            distinct.place(penalty_reference(order, order.plan.points[point]).scenario));
    points_.assign(distinct.all().size(), kReference);
    for (const std::size_t point : selected_) {
      point_jobs_.push_back(distinct.place(order.plan.points[point].scenario));
      if (points_.size() < distinct.all().size()) points_.push_back(point);
    }
    jobs_ = distinct.all();
    found_.resize(jobs_.size());
    std::vector<std::string> varied = {"channel.osnr_db"};
    for (std::string& key : varied_keys(order.plan.axes)) varied.push_back(std::move(key));
    source_ = simulation(fft, std::make_shared<FrameReuse>(search_reuse_rule(order.plan.base, varied)));
  }

  SweepRecords run() {
    if (options_.journal != nullptr) use_journal();
    hooks_.progress = [this](const SweepProgress& now, std::size_t, const Tally&) {
      if (options_.progress) options_.progress(now);
    };
    std::vector<std::vector<std::size_t>> units;
    for (std::size_t job = 0; job < jobs_.size(); ++job) units.push_back({job});
    Dispatcher dispatcher(std::vector<StopRule>(jobs_.size(), StopRule{0, 1}), std::move(units), hooks_);
    // Searches side by side before frames side by side: a search waits for its frames at every step.
    const auto workers = static_cast<unsigned>(std::min<std::size_t>(options_.threads, jobs_.size()));
    std::vector<std::thread> pool;
    for (unsigned i = 0; i < workers; ++i)
      pool.emplace_back([&] { work_for(dispatcher, options_.threads / workers); });
    if (world().size > 1)
      last_words_ = lead_ranks(dispatcher, 1, [&](const Assignment& work, const std::string& reply) {
        settle(dispatcher, work, [&] {
          throw_if_failure(reply);
          return required_osnr_from(reply);
        });
      });
    for (auto& thread : pool) thread.join();
    dispatcher.tallies();  // throws what went wrong
    return records();
  }

  /// What another rank does for rank 0.
  void follow(const std::function<std::string()>& last_words) {
    follow_rank(
        1, [&](const Assignment& work) { return to_line(search(work.points.front(), options_.threads)); },
        last_words);
  }

  /// How the other ranks round.
  const std::vector<std::string>& last_words() const { return last_words_; }

 private:
  static constexpr std::size_t kReference = SIZE_MAX;

  void work_for(Dispatcher& dispatcher, unsigned threads) {
    for (Assignment work; dispatcher.next(work);)
      settle(dispatcher, work, [&] { return search(work.points.front(), threads); });
  }

  RequiredOsnr search(std::size_t job, unsigned threads) const {
    const auto find = [&] {
      return find_required_osnr(jobs_[job], required_osnr_rule(jobs_[job], order_.criterion), source_,
                                threads);
    };
    if (points_[job] == kReference) return find();
    return at_point(order_.plan, points_[job], [&](const SweepPoint&) { return find(); });
  }

  /// Whether all points are held against this one search.
  bool is_the_reference(std::size_t job) const {
    return !reference_jobs_.empty() && std::all_of(reference_jobs_.begin(), reference_jobs_.end(),
                                                   [job](std::size_t other) { return other == job; });
  }

  /// Keeps what `make` gives for an assignment, or its failure. Without the only reference the rest is in
  /// vain.
  template <class Make>
  void settle(Dispatcher& dispatcher, const Assignment& work, Make make) {
    const std::size_t job = work.points.front();
    try {
      found_[job] = make();
      if (!found_[job].found && is_the_reference(job))
        throw RunError("no required OSNR at the reference: " + found_[job].failure);
      dispatcher.count(job, 0, {});
      dispatcher.finish(work);
    } catch (...) {
      dispatcher.fail(job, std::current_exception());
    }
  }

  void use_journal() {
    hooks_.known.resize(jobs_.size());
    for (const std::string& text : options_.journal->records()) {
      std::string_view rest = text;
      const std::size_t job = leading_number(rest);
      if (job >= jobs_.size()) continue;
      found_[job] = required_osnr_from(rest);
      hooks_.known[job][0] = {};
    }
    hooks_.computed = [this](std::size_t job, std::uint64_t, const FrameResult&) {
      options_.journal->add(std::to_string(job) + " " + to_line(found_[job]));
    };
  }

  SweepRecords records() {
    SweepRecords records;
    for (std::size_t i = 0; i < selected_.size(); ++i) {
      const RequiredOsnr& found = found_[point_jobs_[i]];
      records.found.push_back(found);
      if (!found.found) remark(selected_[i], found.failure);
      if (reference_jobs_.empty()) continue;
      const RequiredOsnr& reference = found_[reference_jobs_[i]];
      records.references.push_back(reference);
      if (found.found && !reference.found)
        remark(selected_[i], "no required OSNR at its reference: " + reference.failure);
    }
    return records;
  }

  void remark(std::size_t point, const std::string& text) const {
    if (options_.remark) options_.remark(describe(order_.plan, order_.plan.points[point]) + ": " + text);
  }

  const SweepOrder& order_;
  const SweepRunOptions& options_;
  std::vector<std::size_t> selected_;
  std::vector<std::size_t> point_jobs_, reference_jobs_;  // by selected point; without penalty no references
  std::vector<Scenario> jobs_;
  std::vector<std::size_t> points_;  // by job: whose search it is, to say where it failed; kReference
  std::vector<RequiredOsnr> found_;  // by job
  SourceMaker source_;
  ExecutorHooks hooks_;
  std::vector<std::string> last_words_;
};

}  // namespace

SweepWork search_sweep(const SweepOrder& order, const SweepRunOptions& options, const FftCache& fft) {
  const auto sweep = std::make_shared<SearchSweep>(order, options, fft);
  return {[sweep] { return sweep->run(); },
          [sweep](const std::function<std::string()>& last_words) { sweep->follow(last_words); },
          [sweep] { return sweep->last_words(); }};
}

std::vector<Scenario> penalty_references(const SweepOrder& order, const std::vector<std::size_t>& points) {
  DistinctScenarios references;
  for (const std::size_t point : points)
    references.place(penalty_reference(order, order.plan.points[point]).scenario);
  return references.all();
}

}  // namespace cohlink
