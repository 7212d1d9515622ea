#include "tools/study/run/sweep_order.h"

#include <algorithm>

#include "sim/signal/scenario/strings.h"
#include "sim/signal/version.h"
#include "tools/study/plan/fingerprint.h"
#include "tools/study/plan/outputs.h"

namespace cohlink {

std::string vary_text(const Axis& axis) { return axis.key + "=" + join(axis.values, "|"); }

std::string measure_name(const SweepOrder& order) {
  constexpr const char* kNames[] = {"ber", "required_osnr", "penalty_db"};
  if (order.measure == SweepMeasure::kOutput) return order.output;
  return kNames[static_cast<std::size_t>(order.measure)] +
         (order.criterion.empty() ? "" : " " + order.criterion);
}

void set_measure(SweepOrder& order, const std::string& asked, const std::string& origin) {
  const std::string text = asked.substr(0, asked.find(' '));
  order.criterion = trim(asked.substr(text.size()));
  if (text == "ber") {
    order.measure = SweepMeasure::kBer;
  } else if (text == "required_osnr" || text == "required_osnr_db") {
    order.measure = SweepMeasure::kRequiredOsnr;
  } else if (text == "penalty_db") {
    order.measure = SweepMeasure::kPenalty;
  } else {
    const auto names = output_names();
    if (std::find(names.begin(), names.end(), text) == names.end())
      throw InputError(as_given(origin, text),
                       "expected ber, required_osnr, penalty_db or one of " + join(names, ", "));
    order.measure = SweepMeasure::kOutput;
    order.output = text;
    if (text != "q_db")
      for (SweepPoint& point : order.plan.points) point.stop.target_errors = 0;
  }
  if (!order.criterion.empty() && !order.searches())
    throw InputError(as_given(origin, asked), "a criterion goes with required_osnr and penalty_db");
}

std::vector<std::size_t> points_of(const SweepPlan& plan, const Part& part) {
  auto units = sharing_units(plan);
  if (units.size() < part.count) {
    units.clear();
    for (std::size_t i = 0; i < plan.points.size(); ++i) units.push_back({i});
  }
  std::vector<std::size_t> points;
  for (std::size_t unit = part.number - 1; unit < units.size(); unit += part.count)
    points.insert(points.end(), units[unit].begin(), units[unit].end());
  std::sort(points.begin(), points.end());
  return points;
}

PenaltyReference penalty_reference(const SweepOrder& order, const SweepPoint& point) {
  const SweepPlan& plan = order.plan;
  if (order.reference.empty()) return {plan.points.front().scenario, describe(plan, plan.points.front())};
  SweepPoint reference = point;
  std::string others;
  for (const Axis& axis : parse_vary({order.reference}, order.reference_origin)) {
    if (axis.values.size() != 1)
      throw InputError(as_given(order.reference_origin, order.reference), "one value a key");
    axis.set(reference.scenario, axis.values.front(), axis.origin);
    const auto varied = std::find_if(plan.axes.begin(), plan.axes.end(),
                                     [&](const Axis& other) { return other.key == axis.key; });
    if (varied == plan.axes.end())
      others += ", " + axis.key + "=" + axis.values.front();
    else
      reference.values[static_cast<std::size_t>(varied - plan.axes.begin())] = axis.values.front();
  }
  return {reference.scenario, describe(plan, reference) + others};
}

RunIdentity identity_of(const SweepOrder& order, const Part& part) {
  std::string points;
  for (const Axis& axis : order.plan.axes) points += vary_text(axis) + "\n";
  return {{"version", std::string(version().number) + " " + std::string(version().git_hash)},
          {"scenario", deciding_text(order.plan.base)},
          {"points", points},
          {"measure", measure_name(order) + " " + order.reference},
          {"common-noise", order.plan.common_noise ? "yes" : "no"},
          {"part", std::to_string(part.number) + "/" + std::to_string(part.count)}};
}

}  // namespace cohlink
