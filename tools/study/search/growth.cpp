#include "tools/study/search/growth.h"

#include <algorithm>
#include <cmath>
#include <optional>

#include "tools/study/plan/numbers.h"

namespace cohlink {
namespace {

constexpr int kMostSteps = 24;
constexpr int kMostRetries = 3;

class GrowthSearch {
 public:
  GrowthSearch(const Scenario& scenario, const ScenarioImpairment& impairment, const GrowthRule& rule,
               const SourceMaker& source, unsigned threads)
      : scenario_(scenario),
        impairment_(impairment),
        rule_(rule),
        source_(remembered(source)),
        threads_(threads),
        // A penalty is against the first end of what is searched, so that all begin at the ideal.
        anchored_(rule.criterion.kind == Criterion::Kind::kPenalty) {
    found_.value = found_.holds = found_.fails = std::nan("");
  }

  GrowthLimit run() {
    if (!impairment_.grows()) return found_;
    found_.state = GrowthState::kUndecided;
    double low = anchored_ ? impairment_.perfect : impairment_.now;
    double high = impairment_.at_ideal ? impairment_.row->usual
                                       : grown(impairment_, impairment_.now, anchored_ ? 1.0 : 2.0);
    for (int step = 0; step < kMostSteps; ++step) {
      if (low == high)
        return stop(refused_.empty() ? "its range ends there" : "it cannot be set further: " + refused_);
      if (!look(low, high)) return found_;
    }
    return stop("not looked at beyond");
  }

 private:
  /// Looks between the two; false when all is known, else with the next two to look between.
  bool look(double& low, double& high) {
    const std::optional<Limit> limit = between(low, high);
    if (!limit) return step_back(low, high);
    switch (limit->crossing) {
      case Crossing::kFound:
        take(*limit);
        return false;
      case Crossing::kHoldsThroughout:
        found_.holds = high;
        if (!anchored_) steady_ = low, low = high;
        high = grown(impairment_, high, 2.0);
        if (high == found_.holds) low = high;  // the end of its range
        return true;
      case Crossing::kFailsThroughout:
        if (low == impairment_.perfect) {
          found_.state = GrowthState::kFailsAnyway;
          return false;
        }
        high = low, low = impairment_.perfect;
        return true;
      case Crossing::kUndecided:
        break;
    }
    return widen(*limit, low, high);
  }

  std::optional<Limit> between(double low, double high) {
    LimitRule rule;
    rule.key = impairment_.name();
    rule.from = low, rule.to = high;
    rule.criterion = rule_.criterion;
    rule.resolution = rule_.resolution;
    rule.frames = rule_.frames;
    try {
      Limit limit = find_limit(scenario_, rule, source_, threads_);
      found_.frames += limit.frames;
      return limit;
    } catch (const InputError& error) {
      refused_ = error.what();
      return std::nullopt;
    }
  }

  /// The rest of the scenario cannot take `high`: half as much growth, a few times.
  bool step_back(double low, double& high) {
    if (++retries_ > kMostRetries) {
      stop("it cannot be set further: " + refused_);
      return false;
    }
    high = 0.5 * (low + high);
    if (impairment_.key->type == KeyType::kInteger) high = std::round(high);
    return true;
  }

  /// An end was too near to call: from where it was last shown to hold, and farther out.
  bool widen(const Limit& limit, double& low, double& high) {
    found_.remark = limit.remark;
    if (++retries_ > kMostRetries) return false;
    low = std::isnan(steady_) ? impairment_.perfect : steady_;
    high = grown(impairment_, high, 1.5);
    return true;
  }

  void take(const Limit& limit) {
    const bool now = !impairment_.at_ideal && headroom(impairment_, limit.value) < 1.0;
    found_.state = now ? GrowthState::kFailsNow : GrowthState::kLimited;
    found_.value = limit.value, found_.holds = limit.holds, found_.fails = limit.fails;
    found_.remark = limit.remark;
    if (impairment_.at_ideal || (impairment_.now - limit.holds) * (limit.fails - impairment_.now) <= 0.0)
      return;
    // Neither shown to hold nor to fail as it is: where between the two the limit lies is anybody's guess.
    found_.state = GrowthState::kUndecided;
    if (found_.remark.empty()) found_.remark = "as it is, too near to call";
  }

  GrowthLimit stop(const std::string& why) {
    if (!std::isnan(found_.holds)) found_.state = GrowthState::kHoldsOn;
    found_.remark = why;
    return found_;
  }

  const Scenario& scenario_;
  const ScenarioImpairment& impairment_;
  const GrowthRule& rule_;
  SourceMaker source_;
  unsigned threads_;
  bool anchored_;
  int retries_ = 0;
  double steady_ = std::nan("");  // held below `low`
  std::string refused_;
  GrowthLimit found_;
};

}  // namespace

std::string growth_state_name(GrowthState state) {
  switch (state) {
    case GrowthState::kLimited:
      return "limited";
    case GrowthState::kHoldsOn:
      return "holds on";
    case GrowthState::kFailsNow:
      return "fails now";
    case GrowthState::kFailsAnyway:
      return "fails anyway";
    case GrowthState::kUndecided:
      return "undecided";
    case GrowthState::kNotCounted:
      return "not counted";
    case GrowthState::kNoGrowth:
      break;
  }
  return "no growth";
}

GrowthLimit find_growth(const Scenario& scenario, const ScenarioImpairment& impairment,
                        const GrowthRule& rule, const SourceMaker& source, unsigned threads) {
  return GrowthSearch(scenario, impairment, rule, source, threads).run();
}

}  // namespace cohlink
