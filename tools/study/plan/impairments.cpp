#include "tools/study/plan/impairments.h"

#include <algorithm>
#include <cmath>

#include "sim/signal/line/read_line.h"
#include "tools/study/plan/numbers.h"

namespace cohlink {
namespace {

constexpr std::string_view kKerr = "fibre.nonlinear_coefficient_per_w_km";

/// Whether anything reads the key in this scenario: what stands on a line needs spans.
bool acts(const ScenarioKey& key, bool spans) {
  return spans || (key.section != "fibre" && key.section != "amplifier");
}

/// The Kerr coefficient that comes with the type of the fibre, where the scenario leaves it to that.
void read_kerr(const Scenario& scenario, ScenarioImpairment& impairment) {
  const Line line = read_line(scenario);
  const auto of = [](const LineSection& section) { return section.span.gamma; };
  const double first = of(line.sections.front());
  impairment.value = short_decimal(first * 1e3);
  impairment.one_value = std::all_of(line.sections.begin(), line.sections.end(),
                                     [&](const LineSection& section) { return of(section) == first; });
}

/// A value on the side of its ideal that is no impairment counts as ideal: an amplifier better than that.
bool at_ideal(const ScenarioImpairment& impairment) {
  const Impairment& row = *impairment.row;
  if (row.growth == Growth::kSwitch || impairment.value.empty() || row.ideal.empty())
    return impairment.value == row.ideal;
  switch (row.growth) {
    case Growth::kUp:
      return impairment.now <= impairment.perfect;
    case Growth::kDown:
      return impairment.now >= impairment.perfect;
    default:
      return impairment.now == impairment.perfect;
  }
}

void read_numbers(ScenarioImpairment& impairment) {
  const ScenarioKey& key = *impairment.key;
  const Impairment& row = *impairment.row;
  if (row.growth == Growth::kSwitch) {
    impairment.now = impairment.perfect = impairment.end = std::nan("");
    return;
  }
  impairment.end = row.growth == Growth::kDown ? key.low : key.high;
  impairment.perfect = parse_number(row.ideal).value_or(row.growth == Growth::kDown ? key.high : key.low);
  impairment.now = parse_number(impairment.value).value_or(impairment.perfect);
  if (row.growth == Growth::kAway && impairment.now < impairment.perfect) impairment.end = key.low;
}

}  // namespace

std::vector<ScenarioImpairment> impairments_of(const Scenario& scenario, bool all) {
  const bool spans = has_spans(scenario);
  std::vector<ScenarioImpairment> found;
  for (const Impairment& row : impairment_rows()) {
    const ScenarioKey& key = *find_key(row.key);
    if (!acts(key, spans) || scenario.find_tie(key.full_name()) != nullptr) continue;
    ScenarioImpairment impairment;
    impairment.key = &key;
    impairment.row = &row;
    impairment.value = scenario.written(key.full_name());
    if (impairment.value.empty() && key.full_name() == kKerr) read_kerr(scenario, impairment);
    // Absent where the ideal is a value: the key follows another one, or its hardware is not there.
    if (impairment.value.empty() && !row.ideal.empty()) continue;
    read_numbers(impairment);
    impairment.at_ideal = at_ideal(impairment);
    if (all || !impairment.at_ideal) found.push_back(std::move(impairment));
  }
  return found;
}

Scenario without(const Scenario& scenario, const ScenarioImpairment& impairment) {
  Scenario calm = scenario;
  calm.set(impairment.name(), std::string(impairment.row->ideal), Origin());
  return calm;
}

double grown(const ScenarioImpairment& impairment, double value, double factor) {
  const ScenarioKey& key = *impairment.key;
  const Impairment& row = *impairment.row;
  const double sign = impairment.end < impairment.perfect ? -1.0 : 1.0;
  double next = value;
  switch (row.scale) {
    case GrowthScale::kDifference:
      next = impairment.perfect + factor * (value - impairment.perfect);
      break;
    case GrowthScale::kDecibel:
      next = value + sign * 10.0 * std::log10(factor);
      break;
    case GrowthScale::kBits:
      next = value - std::log2(factor);
      break;
    case GrowthScale::kInverse:
      next = value / factor;
  }
  if (key.type == KeyType::kInteger) {
    next = std::round(next);
    if (next == value) next += sign;
  }
  return std::clamp(next, std::min(value, impairment.end), std::max(value, impairment.end));
}

double headroom(const ScenarioImpairment& impairment, double limit) {
  if (impairment.at_ideal) return std::nan("");
  const double sign = impairment.end < impairment.perfect ? -1.0 : 1.0;
  switch (impairment.row->scale) {
    case GrowthScale::kDifference:
      return (limit - impairment.perfect) / (impairment.now - impairment.perfect);
    case GrowthScale::kDecibel:
      return std::pow(10.0, sign * (limit - impairment.now) / 10.0);
    case GrowthScale::kBits:
      return std::exp2(impairment.now - limit);
    case GrowthScale::kInverse:
      break;
  }
  return impairment.now / limit;
}

}  // namespace cohlink
