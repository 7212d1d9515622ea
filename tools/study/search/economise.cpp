#include "tools/study/search/economise.h"

#include <algorithm>
#include <cmath>
#include <limits>
#include <map>
#include <mutex>
#include <numeric>

#include "sim/signal/execution/threads.h"
#include "sim/signal/units.h"
#include "tools/study/plan/numbers.h"

namespace cohlink {
namespace {

constexpr double kEndless = std::numeric_limits<double>::infinity();
constexpr std::size_t kMostInGrid = 2'000'000;
constexpr int kMostVerified = 8;
/// Penalties whose cheapest receivers make the front.
constexpr double kFrontPenalties[] = {0.02, 0.05, 0.1, 0.2, 0.35, 0.5, 0.75, 1.0, 1.5, 2.0, 3.0};

/// Noise that a penalty stands for, over the noise that is there anyway.
double excess(double penalty_db) { return std::max(0.0, from_db(penalty_db) - 1.0); }

/// The frames of one receiver.
struct Reception {
  std::vector<FrameResult> frames;
  std::string refusal;  // why it cannot be set up

  std::uint64_t sum(std::uint64_t (*of)(const FrameResult&)) const {
    return std::accumulate(frames.begin(), frames.end(), std::uint64_t{0},
                           [&](std::uint64_t n, const FrameResult& f) { return n + of(f); });
  }
  std::uint64_t unlocked() const {
    return sum([](const FrameResult& f) { return f.unlocked; });
  }
  std::uint64_t slips() const {
    return sum([](const FrameResult& f) {
      const auto found = f.counters.find("cycle_slips");
      return found == f.counters.end() ? std::uint64_t{0} : found->second;
    });
  }
  double ber() const {
    FrameResult all;
    for (const FrameResult& frame : frames) all += frame;
    return all.count.ber();
  }
};

/// `count` frames of each scenario from `first` on, all of one frame together: they share its light.
std::vector<Reception> receive(const std::vector<Scenario>& scenarios, std::uint64_t first,
                               std::uint64_t count, const SourceMaker& maker, unsigned threads) {
  std::vector<Reception> receptions(scenarios.size());
  std::vector<FrameSource> sources(scenarios.size());
  std::vector<std::once_flag> once(scenarios.size());
  std::mutex mutex;
  for (Reception& r : receptions) r.frames.resize(count);
  for_each_index(scenarios.size() * count, threads, [&](std::size_t task) {
    const std::size_t s = task % scenarios.size(), f = task / scenarios.size();
    try {
      std::call_once(once[s], [&] { sources[s] = maker(scenarios[s]); });
      receptions[s].frames[f] = sources[s](first + f);
    } catch (const InputError& error) {
      const std::lock_guard lock(mutex);
      receptions[s].refusal = error.what();
    }
  });
  return receptions;
}

void judge(LeanReceiver& lean, const Reception& own, const Reception& mine) {
  lean.works = false;
  lean.penalty_db = {std::nan(""), std::nan(""), std::nan("")};
  lean.remark = mine.refusal;
  if (!mine.refusal.empty()) return;
  lean.unlocked = mine.unlocked(), lean.slips = mine.slips();
  std::vector<double> differences;
  for (std::size_t f = 0; f < own.frames.size(); ++f) {
    const FrameResult &a = own.frames[f], &b = mine.frames[f];
    if (a.unlocked == 0 && b.unlocked == 0) differences.push_back(a.snr_db() - b.snr_db());
  }
  lean.works = lean.unlocked <= own.unlocked() && lean.slips <= own.slips() && !differences.empty();
  if (lean.works)
    lean.penalty_db = student(differences, 0.95);
  else if (lean.unlocked > own.unlocked())
    lean.remark = "no lock in " + std::to_string(lean.unlocked) + " of " + std::to_string(own.frames.size()) +
                  " frames";
  else
    lean.remark = std::to_string(lean.slips) + " cycle slips, " + std::to_string(own.slips()) + " before";
}

/// Every combination of rungs by number, what it costs by the savings of its cuts, and the least that it can
/// lose by what is known.
class Grid {
 public:
  Grid(const std::vector<Cut>& cuts, const LeanReceiver& as_is, const std::vector<LeanReceiver>& singles)
      : cuts_(cuts) {
    std::size_t size = 1;
    for (const Cut& cut : cuts) {
      size *= cut.values.size();
      if (size > kMostInGrid)
        throw InputError("more than " + grouped(kMostInGrid) + " combinations of cuts; keep some settings");
    }
    pj_.resize(size), least_.resize(size), order_.resize(size), measured_.resize(size);
    for (std::size_t i = 0; i < size; ++i) fill(i, rungs(i), as_is, singles);
    std::iota(order_.begin(), order_.end(), std::size_t{0});
    std::stable_sort(order_.begin(), order_.end(),
                     [&](std::size_t a, std::size_t b) { return pj_[a] < pj_[b]; });
  }

  const std::vector<std::size_t>& cheapest_first() const { return order_; }
  double least_excess(std::size_t i) const { return least_[i]; }
  bool is_measured(std::size_t i) const { return measured_[i]; }

  Rungs rungs(std::size_t i) const {
    Rungs result(cuts_.size());
    for (std::size_t c = cuts_.size(); c-- > 0; i /= cuts_[c].values.size())
      result[c] = i % cuts_[c].values.size();
    return result;
  }
  std::size_t place(const Rungs& rungs) const {
    std::size_t i = 0;
    for (std::size_t c = 0; c < cuts_.size(); ++c) i = i * cuts_[c].values.size() + rungs[c];
    return i;
  }

  /// What was measured bounds all that cut at least as deep everywhere.
  void learn(const LeanReceiver& lean) {
    const double lost = lean.works ? excess(lean.penalty_db.value) : kEndless;
    for (std::size_t i = 0; i < least_.size(); ++i)
      if (!measured_[i] && least_[i] < lost && as_deep(i, lean.rungs)) least_[i] = lost;
    const std::size_t own = place(lean.rungs);
    measured_[own] = true, least_[own] = lost;
  }

 private:
  void fill(std::size_t i, const Rungs& rungs, const LeanReceiver& as_is,
            const std::vector<LeanReceiver>& singles) {
    double worst = 0.0, sum = 0.0;
    pj_[i] = as_is.cost.pj();
    for (const LeanReceiver& single : singles)
      for (std::size_t c = 0; c < cuts_.size(); ++c) {
        if (single.rungs[c] == 0 || single.rungs[c] != rungs[c]) continue;
        const double lost = single.works ? excess(single.penalty_db.value) : kEndless;
        pj_[i] -= as_is.cost.pj() - single.cost.pj();
        worst = std::max(worst, lost), sum += lost;
      }
    least_[i] = std::isinf(worst) || says_twice(cuts_, rungs) ? kEndless : worst + 0.5 * (sum - worst);
  }

  bool as_deep(std::size_t i, const Rungs& rungs) const {
    for (std::size_t c = cuts_.size(); c-- > 0; i /= cuts_[c].values.size())
      if (i % cuts_[c].values.size() < rungs[c]) return false;
    return true;
  }

  const std::vector<Cut>& cuts_;
  std::vector<double> pj_, least_;
  std::vector<std::size_t> order_;
  std::vector<bool> measured_;
};

/// None is cheaper and loses less: from the scenario's own receiver down.
std::vector<LeanReceiver> front_of(const LeanReceiver& as_is, const std::vector<LeanReceiver>& measured) {
  std::vector<LeanReceiver> front;
  double least = kEndless;
  for (const LeanReceiver& lean : measured) {  // cheapest first
    if (!lean.works || std::max(0.0, lean.penalty_db.value) >= least) continue;
    least = std::max(0.0, lean.penalty_db.value);
    if (!front.empty() && lean.cost.pj() <= front.back().cost.pj() * (1.0 + 1e-9)) front.pop_back();
    front.push_back(lean);
  }
  // Where cutting costs nothing the scenario's own receiver is beaten; it stays the dear end.
  if (front.empty() || front.back().rungs != as_is.rungs) front.push_back(as_is);
  std::reverse(front.begin(), front.end());
  return front;
}

class Economiser {
 public:
  Economiser(const EconomiseOrder& order, const CostOf& cost, const SourceMaker& source, unsigned threads,
             const EconomiseProgress& progress)
      : order_(order), cost_(cost), source_(source), threads_(threads), progress_(progress) {}

  Economy run() {
    receive_own();
    measure_singles();
    grid_.emplace(found_.cuts, found_.as_is, found_.singles);
    grid_->learn(found_.as_is);
    for (const LeanReceiver& single : found_.singles) grid_->learn(single);
    find_cheapest();
    // The front need not be searched to the end. Its far end first: what still works at all.
    const bool complete = found_.complete;
    most_ = measured_.size() + order_.front_combinations;
    cheapest_within(kEndless);
    for (const double penalty : kFrontPenalties) {
      most_ = measured_.size() + order_.front_combinations;
      cheapest_within(penalty);
    }
    found_.complete = complete;
    for (const auto& [place, lean] : measured_)
      if (lean.cost.pj() > 0.0) found_.measured.push_back(lean);
    std::stable_sort(found_.measured.begin(), found_.measured.end(),
                     [](const LeanReceiver& a, const LeanReceiver& b) { return a.cost.pj() < b.cost.pj(); });
    found_.front = front_of(found_.as_is, found_.measured);
    return std::move(found_);
  }

 private:
  void receive_own() {
    found_.as_is.cost = cost_(order_.scenario);
    if (!(found_.as_is.cost.pj() > 0.0))
      throw InputError("by the scenario's [cost] its receiver costs nothing, so nothing can be saved");
    own_ = receive({order_.scenario}, 0, order_.frames, source_, threads_).front();
    if (!own_.refusal.empty()) throw InputError(own_.refusal);
    found_.frames += order_.frames;
    if (own_.unlocked() == order_.frames)
      throw InputError(
          "the scenario's own receiver does not lock: there is nothing to hold a cheaper one against");
    found_.as_is.works = true;
    found_.as_is.unlocked = own_.unlocked(), found_.as_is.slips = own_.slips();
  }

  /// Keeps, of each cut, the values that save over the ones before; measures them.
  void measure_singles() {
    const std::size_t all = order_.cuts.size();
    std::vector<LeanReceiver> kept;
    for (std::size_t c = 0; c < all; ++c) {
      Cut cut = order_.cuts[c];
      cut.values.resize(1);
      double pj = found_.as_is.cost.pj();
      for (std::size_t v = 1; v < order_.cuts[c].values.size(); ++v) {
        Rungs rungs(all, 0);
        rungs[c] = v;
        const auto cost = cost_of(rungs, order_.cuts);
        if (!cost || !(cost->pj() < pj * (1.0 - 1e-9))) continue;
        pj = cost->pj();
        cut.values.push_back(order_.cuts[c].values[v]);
        kept.push_back({});
        kept.back().cost = *cost;
        kept.back().rungs = {found_.cuts.size(), cut.values.size() - 1};  // which cut, which value; for now
      }
      if (cut.values.size() > 1)
        found_.cuts.push_back(std::move(cut));
      else
        found_.idle.push_back(cut.name());
    }
    found_.as_is.rungs.assign(found_.cuts.size(), 0);
    std::vector<Rungs> rungs;
    for (LeanReceiver& lean : kept) {
      Rungs own(found_.cuts.size(), 0);
      own[lean.rungs[0]] = lean.rungs[1];
      lean.rungs = own;
      rungs.push_back(std::move(own));
    }
    measure(kept);
    found_.singles = std::move(kept);
  }

  std::optional<ReceiverCost> cost_of(const Rungs& rungs, const std::vector<Cut>& cuts) const {
    try {
      return cost_(with_cuts(order_.scenario, cuts, rungs));
    } catch (const InputError&) {
      return std::nullopt;  // a chain that cannot work
    }
  }

  void measure(std::vector<LeanReceiver>& leans) {
    std::vector<Scenario> scenarios;
    for (const LeanReceiver& lean : leans)
      scenarios.push_back(with_cuts(order_.scenario, found_.cuts, lean.rungs));
    const auto receptions = receive(scenarios, 0, order_.frames, source_, threads_);
    found_.frames += order_.frames * leans.size();
    for (std::size_t i = 0; i < leans.size(); ++i) {
      judge(leans[i], own_, receptions[i]);
      if (progress_) progress_(leans[i]);
    }
  }

  /// The cheapest combination that is shown to lose no more; the scenario's own receiver where none is.
  const LeanReceiver& cheapest_within(double allowed_db) {
    if (measured_.empty()) {
      measured_[0] = found_.as_is;
      for (const LeanReceiver& single : found_.singles) measured_[grid_->place(single.rungs)] = single;
    }
    const double allowed = excess(allowed_db);
    for (;;) {
      const auto& order = grid_->cheapest_first();
      const auto next = std::find_if(order.begin(), order.end(), [&](std::size_t i) {
        if (grid_->is_measured(i)) return measured_[i].within(allowed_db);
        return grid_->least_excess(i) <= allowed && !std::isinf(grid_->least_excess(i));
      });
      if (next == order.end()) return measured_[0];
      if (grid_->is_measured(*next)) return measured_[*next];
      if (measured_.size() >= most_) return best_measured(allowed_db);
      measure_one(*next);
    }
  }

  const LeanReceiver& best_measured(double allowed_db) {
    found_.complete = false;
    const LeanReceiver* best = &measured_[0];
    for (const auto& [place, lean] : measured_)
      if (lean.within(allowed_db) && lean.cost.pj() < best->cost.pj()) best = &lean;
    return *best;
  }

  void measure_one(std::size_t place) {
    std::vector<LeanReceiver> one(1);
    one[0].rungs = grid_->rungs(place);
    const auto cost = cost_of(one[0].rungs, found_.cuts);
    if (cost) {
      one[0].cost = *cost;
      measure(one);
    } else {
      one[0].remark = "cannot be set up";
    }
    grid_->learn(one[0]);
    measured_[place] = std::move(one[0]);
  }

  void find_cheapest() {
    const auto fresh = [&](const Scenario& scenario) {
      found_.frames += order_.fresh_frames;
      return receive({scenario}, order_.frames, order_.fresh_frames, source_, threads_).front();
    };
    std::optional<Reception> own;
    for (int tries = 0; tries < kMostVerified; ++tries) {
      const LeanReceiver best = cheapest_within(order_.penalty_db);
      if (best.rungs == found_.as_is.rungs) return;
      if (!own) own = fresh(order_.scenario);
      const Reception mine = fresh(with_cuts(order_.scenario, found_.cuts, best.rungs));
      LeanReceiver verified = best;
      judge(verified, *own, mine);
      if (verified.within(order_.penalty_db)) {
        found_.cheapest = best;
        found_.fresh_penalty_db = verified.penalty_db;
        found_.ber = own->ber(), found_.fresh_ber = mine.ber();
        return;
      }
      verified.works = false;
      verified.remark =
          "not within the penalty on fresh frames" + (verified.remark.empty() ? "" : ": " + verified.remark);
      measured_[grid_->place(best.rungs)] = verified;
    }
  }

  const EconomiseOrder& order_;
  const CostOf& cost_;
  const SourceMaker& source_;
  unsigned threads_;
  const EconomiseProgress& progress_;
  std::size_t most_ = order_.most_combinations;
  Reception own_;
  std::optional<Grid> grid_;
  std::map<std::size_t, LeanReceiver> measured_;
  Economy found_;
};

}  // namespace

Economy economise(const EconomiseOrder& order, const CostOf& cost, const SourceMaker& source,
                  unsigned threads, const EconomiseProgress& progress) {
  return Economiser(order, cost, source, threads, progress).run();
}

}  // namespace cohlink
