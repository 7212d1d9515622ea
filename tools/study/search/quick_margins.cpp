#include "tools/study/search/quick_margins.h"

#include <cmath>

#include "sim/signal/units.h"
#include "tools/study/budget.h"
#include "tools/study/not_counted.h"
#include "tools/study/plan/numbers.h"

namespace cohlink {
namespace {

constexpr int kMostDoublings = 24;
constexpr int kBisections = 12;  // of a doubling: a limit to 2^(1/4096)

class QuickSearch {
 public:
  explicit QuickSearch(const MarginsPlan& plan)
      : plan_(plan), snr_db_(snr_db(plan.order.scenario)), needed_db_(needed_db(plan)) {}

  double snr_db() const { return snr_db_; }

  ImpairmentMargin margin(const ScenarioImpairment& impairment) {
    const double none = std::nan("");
    ImpairmentMargin m;
    m.impairment = impairment;
    m.cost = {none, none, none};
    m.growth.value = m.growth.holds = m.growth.fails = m.headroom = none;
    if (!counted_by_budget(impairment.name())) {
      m.growth.state = GrowthState::kNotCounted;
      return m;
    }
    if (!impairment.at_ideal) m.cost.value = snr_db(without(plan_.order.scenario, impairment)) - snr_db_;
    if (impairment.grows()) m.growth = grow(impairment);
    m.headroom = headroom(impairment, m.growth.value);
    m.remark = m.growth.remark;
    return m;
  }

 private:
  double snr_db(const Scenario& scenario) { return to_db(make_budget(scenario, memo_).snr); }

  static double needed_db(const MarginsPlan& plan) {
    const Criterion& criterion = plan.growth.criterion;
    if (criterion.kind == Criterion::Kind::kSnr) return criterion.bound;
    if (criterion.kind == Criterion::Kind::kPenalty || criterion.kind == Criterion::Kind::kPostFec)
      throw InputError(criterion.text() + " has no closed form; ask by ber, q_db or snr_db");
    const Threshold threshold = *criterion.threshold(plan.order.scenario);
    return EquivalentSnr(plan.order.scenario, threshold.quality).db(threshold.value);
  }

  bool holds(const ScenarioImpairment& impairment, double value) {
    Scenario scenario = plan_.order.scenario;
    scenario.set(impairment.name(), short_decimal(value), Origin());
    return snr_db(scenario) >= needed_db_;
  }

  GrowthLimit grow(const ScenarioImpairment& impairment) {
    GrowthLimit limit;
    limit.value = limit.holds = limit.fails = std::nan("");
    try {
      if (snr_db_ >= needed_db_)
        grow_out(impairment, limit);
      else
        shrink(impairment, limit);
    } catch (const InputError& error) {
      limit.state = std::isnan(limit.holds) ? GrowthState::kUndecided : GrowthState::kHoldsOn;
      limit.remark = std::string("it cannot be set further: ") + error.what();
    }
    return limit;
  }

  void grow_out(const ScenarioImpairment& impairment, GrowthLimit& limit) {
    double good = impairment.now,
           bad = impairment.at_ideal ? impairment.row->usual : grown(impairment, good, 2.0);
    for (int step = 0; step < kMostDoublings && good != bad; ++step) {
      if (!holds(impairment, bad)) {
        bisect(impairment, good, bad, limit);
        limit.state = GrowthState::kLimited;
        return;
      }
      limit.holds = good = bad;
      bad = grown(impairment, bad, 2.0);
    }
    limit.state = GrowthState::kHoldsOn;
    limit.remark = good == bad ? "its range ends there" : "not looked at beyond";
  }

  void shrink(const ScenarioImpairment& impairment, GrowthLimit& limit) {
    if (impairment.at_ideal || !holds(impairment, impairment.perfect)) {
      limit.state = GrowthState::kFailsAnyway;
      return;
    }
    bisect(impairment, impairment.perfect, impairment.now, limit);
    limit.state = GrowthState::kFailsNow;
  }

  void bisect(const ScenarioImpairment& impairment, double good, double bad, GrowthLimit& limit) {
    const bool whole = impairment.key->type == KeyType::kInteger;
    for (int i = 0; i < kBisections && !(whole && std::abs(good - bad) < 1.5); ++i) {
      const double middle = whole ? std::round(0.5 * (good + bad)) : 0.5 * (good + bad);
      (holds(impairment, middle) ? good : bad) = middle;
    }
    limit.holds = good, limit.fails = bad;
    limit.value = whole ? good : 0.5 * (good + bad);
  }

  InterferenceMemo memo_;
  const MarginsPlan& plan_;
  double snr_db_, needed_db_;
};

}  // namespace

Margins quick_margins(const MarginsPlan& plan) {
  QuickSearch search(plan);
  Margins margins;
  margins.snr_db = {search.snr_db(), std::nan(""), std::nan("")};
  for (const ScenarioImpairment& impairment : plan.impairments)
    margins.impairments.push_back(search.margin(impairment));
  rank(margins);
  return margins;
}

}  // namespace cohlink
