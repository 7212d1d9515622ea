#include "tools/study/search/optimum.h"

#include <algorithm>
#include <cmath>
#include <limits>
#include <map>

#include "sim/signal/execution/threads.h"
#include "sim/signal/scenario/strings.h"
#include "sim/signal/units.h"
#include "tools/study/budget.h"
#include "tools/study/plan/numbers.h"

namespace cohlink {
namespace {

constexpr int kMostSteps = 8;  // either side of the start
constexpr std::string_view kLaunchPower = "transmitter.launch_power_dbm";

/// SNR [dB] of every frame at one value; NaN without lock.
using FrameSnrs = std::vector<double>;

double mean(const FrameSnrs& snrs) {
  double sum = 0.0;
  for (const double snr : snrs) sum += snr;
  return snrs.empty() || std::isnan(sum) ? -std::numeric_limits<double>::infinity()
                                         : sum / static_cast<double>(snrs.size());
}

/// Where the parabola through three points an equal way apart is highest, from the middle, in that way; NaN
/// where it has no top within two of them.
double top(double before, double here, double after) {
  const double bend = before - 2.0 * here + after;
  const double place = 0.5 * (before - after) / bend;
  return bend < 0.0 && std::abs(place) <= 2.0 ? place : std::nan("");
}

class OptimumSearch {
 public:
  OptimumSearch(const Scenario& scenario, const OptimumRule& rule, const SourceMaker& source,
                unsigned threads)
      : scenario_(scenario), rule_(rule), source_(source), threads_(threads) {
    const ScenarioKey& key = *find_key(rule.key);
    start_ = start();
    low_ = std::max(key.low, rule.from.value_or(start_ - kMostSteps * rule.step));
    high_ = std::min(key.high, rule.to.value_or(start_ + kMostSteps * rule.step));
    start_ = std::clamp(start_, low_, high_);
  }

  Optimum run() {
    double best = climb();
    const double step = 0.5 * rule_.step;
    // Twice: the first time from a whole step away.
    for (const double way : {rule_.step, step}) {
      const double lower = std::max(low_, best - way), upper = std::min(high_, best + way),
                   span = 0.5 * (upper - lower);
      best = lower + span;
      const double place = top(mean(at(best - span)), mean(at(best)), mean(at(best + span)));
      found_.snr_db = mean(at(best));
      found_.at = {best, std::nan(""), std::nan("")};
      if (std::isnan(place)) return found_;  // where frames lose lock there is no parabola to lay
      found_.snr_db = mean(at(best)) - 0.25 * (mean(at(best - span)) - mean(at(best + span))) * place;
      conclude(best, span);
      best = std::clamp(found_.at.value, low_, high_);
    }
    return found_;
  }

 private:
  [[noreturn]] void fail(const std::string& why) const {
    throw RunError(as_given(rule_.origin, rule_.key) + ": no best value between " + readable(low_) + " and " +
                   readable(high_) + ": " + why);
  }

  double start() const {
    if (rule_.key == kLaunchPower)
      if (const auto power = make_budget(scenario_).optimum_launch_power) return watt_to_dbm(*power);
    if (const auto own = parse_number(scenario_.written(rule_.key))) return *own;
    if (rule_.from) return 0.5 * (*rule_.from + *rule_.to);
    throw InputError(as_given(rule_.origin, rule_.key), "has no value to start from; give a range, KEY=a:b");
  }

  const FrameSnrs& at(double value) {
    const std::string text = short_decimal(value);
    if (const auto known = known_.find(text); known != known_.end()) return known->second;
    Scenario scenario = scenario_;
    scenario.set(rule_.key, text, rule_.origin);
    const FrameSource frames = source_(scenario);
    FrameSnrs snrs(rule_.frames);
    for_each_index(snrs.size(), threads_, [&](std::size_t f) {
      const FrameResult frame = frames(f);
      snrs[f] = frame.unlocked > 0 ? std::nan("") : frame.snr_db();
    });
    found_.frames += rule_.frames;
    return known_[text] = snrs;
  }

  /// The best of values a step apart, with a worse one on either side.
  double climb() {
    double here = start_;
    for (;;) {
      const double before = std::max(low_, here - rule_.step), after = std::min(high_, here + rule_.step);
      const double snr = mean(at(here));
      if (before < here && mean(at(before)) > snr)
        here = before;
      else if (after > here && mean(at(after)) > snr)
        here = after;
      else if (std::isinf(snr))
        return here;
      else if (before == here || after == here)
        fail("the SNR still rises at " + readable(here));
      else
        return here;
    }
  }

  void conclude(double middle, double span) {
    std::vector<double> tops;
    const FrameSnrs before = at(middle - span), here = at(middle), after = at(middle + span);
    for (std::size_t f = 0; f < here.size(); ++f)
      if (const double place = top(before[f], here[f], after[f]); !std::isnan(place))
        tops.push_back(middle + span * place);
    if (!tops.empty()) found_.at = student(tops, 0.95);
  }

  const Scenario& scenario_;
  const OptimumRule& rule_;
  const SourceMaker& source_;
  unsigned threads_;
  double start_ = 0, low_ = 0, high_ = 0;
  std::map<std::string, FrameSnrs> known_;
  Optimum found_;
};

void check_ends(const OptimumRule& rule, const Scenario& scenario, const std::string& where) {
  if (!(*rule.from < *rule.to)) throw InputError(where, "the ends are in the wrong order");
  for (const double end : {*rule.from, *rule.to}) Scenario(scenario).set(rule.key, short_decimal(end), where);
}

}  // namespace

OptimumRule parse_optimum(const std::string& text, const Scenario& scenario, const std::string& origin) {
  const std::string where = as_given(origin, text);
  const auto equals = text.find('=');
  OptimumRule rule;
  rule.origin = origin;
  rule.key = trim(text.substr(0, equals));
  const ScenarioKey* key = find_key(rule.key);
  if (key == nullptr) {
    const std::string near = nearest_key(rule.key);
    throw InputError(as_given(origin, rule.key),
                     "unknown key" + (near.empty() ? "" : "; did you mean " + near + "?"));
  }
  if (key->type != KeyType::kNumber)
    throw InputError(where, "holds no number that could be best between two others");
  if (const Tie* tie = scenario.find_tie(rule.key)) throw InputError(where, "follows '" + tie->text + "'");
  if (equals == std::string::npos) return rule;
  const auto parts = split(text.substr(equals + 1), ':');
  if (parts.size() == 2) rule.from = parse_number(parts[0]), rule.to = parse_number(parts[1]);
  if (!rule.from || !rule.to) throw InputError(where, "expected KEY or KEY=a:b");
  check_ends(rule, scenario, where);
  if (rule.key != kLaunchPower) rule.step = 0.1 * (*rule.to - *rule.from);
  return rule;
}

void check_criterion(const OptimumRule& rule, const Criterion& criterion) {
  if (criterion.kind == Criterion::Kind::kPenalty)
    throw InputError(as_given(rule.origin, rule.key),
                     "is for criteria at the scenario's own noise, not penalty_db");
}

std::string optimum_text(const OptimumRule& rule) {
  if (!rule.from) return rule.key;
  return rule.key + "=" + exact_decimal(*rule.from) + ":" + exact_decimal(*rule.to);
}

Optimum find_optimum(const Scenario& scenario, const OptimumRule& rule, const SourceMaker& source,
                     unsigned threads) {
  return OptimumSearch(scenario, rule, source, threads).run();
}

Scenario at_optimum(const Scenario& scenario, const OptimumRule& rule, const Optimum& optimum) {
  Scenario best = scenario;
  best.set(rule.key, fixed(optimum.at.value, 4), rule.origin);
  return best;
}

SourceMaker optimised(SourceMaker source, const OptimumRule& rule, unsigned threads,
                      std::function<void(const Scenario&, const Optimum&)> found) {
  return [=](const Scenario& scenario) -> FrameSource {
    const Optimum optimum = find_optimum(scenario, rule, source, threads);
    if (found) found(scenario, optimum);
    return source(at_optimum(scenario, rule, optimum));
  };
}

void add_optima(Table& table, const OptimumRule& rule, const std::vector<std::optional<Optimum>>& optima) {
  const std::string name = "optimum_" + std::string(find_key(rule.key)->name);
  Column value{name, Look::kHundredths}, low{bound_name(name, "low"), Look::kHundredths},
      high{bound_name(name, "high"), Look::kHundredths};
  for (const auto& optimum : optima) {
    const auto cell = [&](double MeasuredOutput::*of) { return optimum ? Cell(optimum->at.*of) : Cell(); };
    value.cells.push_back(cell(&MeasuredOutput::value));
    low.cells.push_back(cell(&MeasuredOutput::low));
    high.cells.push_back(cell(&MeasuredOutput::high));
  }
  for (auto* column : {&value, &low, &high}) table.columns.push_back(std::move(*column));
}

}  // namespace cohlink
