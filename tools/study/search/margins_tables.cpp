// Margins as tables and facts.
#include <cmath>

#include "tools/study/plan/numbers.h"
#include "tools/study/search/margins.h"

namespace cohlink {
namespace {

/// The value of the scenario: a number where it is one.
Cell value_cell(const ScenarioImpairment& impairment) {
  if (const auto number = parse_number(impairment.value)) return *number;
  return impairment.value.empty() ? Cell() : Cell(impairment.value);
}

Cell finite(double value) { return std::isfinite(value) ? Cell(value) : Cell(); }

std::string number_text(const ScenarioImpairment& impairment, double value) {
  const std::string unit(impairment.key->unit);
  return readable(value) + (unit.empty() ? "" : " " + unit);
}

/// "laser_lo.linewidth_khz: 2.3 times 100 kHz, at 230 kHz".
std::string first_text(const ImpairmentMargin& first) {
  const ScenarioImpairment& impairment = first.impairment;
  switch (first.growth.state) {
    case GrowthState::kLimited:
      return impairment.name() + ", at " + number_text(impairment, first.growth.value) +
             (std::isfinite(first.headroom) ? ": " + readable(first.headroom, 3) + " times what it is now"
                                            : "");
    case GrowthState::kFailsNow:
      return impairment.name() + ": the criterion fails now; it would hold below " +
             number_text(impairment, first.growth.value);
    case GrowthState::kFailsAnyway:
      return "the criterion fails now, and no impairment by itself mends it";
    default:
      break;
  }
  return "nothing that was looked at: " + impairment.name() + " is " + growth_state_name(first.growth.state);
}

}  // namespace

Table impairment_table(const Margins& margins) {
  Table table;
  Column name{"impairment"}, value{"value"}, ideal{"ideal"}, cost{"cost_db", Look::kHundredths},
      low{"cost_low_db", Look::kHundredths}, high{"cost_high_db", Look::kHundredths},
      room{"headroom", Look::kFigures}, limit{"limit", Look::kFigures}, holds{"holds_at", Look::kFigures},
      fails{"fails_at", Look::kFigures}, state{"state"}, remark{"remark"};
  for (const ImpairmentMargin& m : margins.impairments) {
    name.cells.emplace_back(m.impairment.name());
    value.cells.push_back(value_cell(m.impairment));
    const std::string perfect(m.impairment.row->ideal);
    ideal.cells.emplace_back(perfect.empty() ? "absent" : perfect);
    cost.cells.push_back(finite(m.cost.value));
    low.cells.push_back(finite(m.cost.low));
    high.cells.push_back(finite(m.cost.high));
    room.cells.push_back(finite(m.headroom));
    limit.cells.push_back(finite(m.growth.value));
    holds.cells.push_back(finite(m.growth.holds));
    fails.cells.push_back(finite(m.growth.fails));
    state.cells.emplace_back(growth_state_name(m.growth.state));
    remark.cells.emplace_back(m.remark);
  }
  for (auto* column :
       {&name, &value, &ideal, &cost, &low, &high, &room, &limit, &holds, &fails, &state, &remark})
    table.columns.push_back(std::move(*column));
  return table;
}

Table pair_table(const Margins& margins, bool interacting_only) {
  Table table;
  Column first{"first"}, second{"second"}, joint{"joint_db", Look::kHundredths},
      sum{"sum_db", Look::kHundredths}, interaction{"interaction_db", Look::kHundredths},
      low{"interaction_low_db", Look::kHundredths}, high{"interaction_high_db", Look::kHundredths},
      interacts{"interacts"};
  for (const PairMargin& pair : margins.pairs) {
    if (interacting_only && !pair.interacts()) continue;
    first.cells.emplace_back(margins.impairments[pair.first].impairment.name());
    second.cells.emplace_back(margins.impairments[pair.second].impairment.name());
    joint.cells.push_back(finite(pair.joint_db));
    sum.cells.push_back(finite(pair.sum_db));
    interaction.cells.push_back(finite(pair.interaction.value));
    low.cells.push_back(finite(pair.interaction.low));
    high.cells.push_back(finite(pair.interaction.high));
    interacts.cells.emplace_back(pair.interacts());
  }
  for (auto* column : {&first, &second, &joint, &sum, &interaction, &low, &high, &interacts})
    table.columns.push_back(std::move(*column));
  return table;
}

std::vector<Fact> margin_facts(const MarginsPlan& plan, const Margins& margins) {
  const ImpairmentMargin& first = margins.impairments.front();
  std::string pairs;
  for (const PairMargin& pair : margins.pairs)
    if (pair.interacts())
      pairs += (pairs.empty() ? "" : "; ") + margins.impairments[pair.first].impairment.name() + " with " +
               margins.impairments[pair.second].impairment.name();
  const MeasuredOutput& snr = margins.snr_db;
  std::vector<Fact> facts = {
      {"criterion", "criterion", plan.growth.criterion.text(), plan.growth.criterion.text()},
      {"breaks_first", "breaks first", first.impairment.name(), first_text(first)},
      {"interacting", "interacting", pairs, pairs.empty() ? "none beyond their intervals" : pairs},
      {"snr_db", "SNR as it is", finite(snr.value),
       std::isfinite(snr.value) ? readable(snr.value) + " dB" : "no lock"},
  };
  if (plan.order.quick) {
    const std::string method = "closed forms of the budget, white noise and ideal reception; no waveform";
    facts.push_back({"method", "method", method, method});
    std::erase_if(facts, [](const Fact& fact) { return fact.name == "interacting"; });
    return facts;
  }
  facts.push_back({"method", "method", std::string("simulation"), "simulation"});
  if (margins.optimum) {
    const std::string& key = plan.order.optimum->key;
    facts.push_back({"each_at_its_best", "each at its best", key, key});
    facts.push_back({"optimum", "best as it is", finite(margins.optimum->value),
                     fixed(margins.optimum->value, 2) + " (" + fixed(margins.optimum->low, 2) + " to " +
                         fixed(margins.optimum->high, 2) + ")"});
  }
  facts.push_back({"frames", "frames", margins.frames,
                   grouped(margins.frames) + ", " + grouped(plan.order.frames) + " for every cost"});
  if (margins.unlocked > 0)
    facts.push_back({"frames_without_lock", "without lock", margins.unlocked,
                     grouped(margins.unlocked) + " of the frames of the scenario as it is"});
  return facts;
}

}  // namespace cohlink
