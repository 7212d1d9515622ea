// A receiver's economies as tables and facts.
#include <cmath>

#include "sim/signal/scenario/strings.h"
#include "tools/study/plan/numbers.h"
#include "tools/study/search/economise.h"

namespace cohlink {
namespace {

Cell finite(double value) { return std::isfinite(value) ? Cell(value) : Cell(); }

/// What a receiver costs, over the scenario's own, and what it loses.
class Columns {
 public:
  explicit Columns(const LeanReceiver& as_is) : own_(as_is.cost) {}
  void add(const LeanReceiver& lean) {
    operations_.cells.push_back(finite(lean.cost.operations()));
    pj_.cells.push_back(finite(lean.cost.pj()));
    share_.cells.push_back(finite(100.0 * lean.cost.pj() / own_.pj()));
    penalty_.cells.push_back(finite(lean.penalty_db.value));
    low_.cells.push_back(finite(lean.penalty_db.low));
    high_.cells.push_back(finite(lean.penalty_db.high));
    remark_.cells.emplace_back(lean.remark);
  }
  void move_into(Table& table) {
    for (auto* column : {&operations_, &pj_, &share_, &penalty_, &low_, &high_, &remark_})
      table.columns.push_back(std::move(*column));
  }

 private:
  ReceiverCost own_;
  Column operations_{"operations_per_bit", Look::kHundredths}, pj_{"pj_per_bit", Look::kHundredths},
      share_{"energy_percent", Look::kHundredths}, penalty_{"penalty_db", Look::kHundredths},
      low_{"penalty_low_db", Look::kHundredths}, high_{"penalty_high_db", Look::kHundredths},
      remark_{"remark"};
};

std::string interval_text(const MeasuredOutput& x) {
  return fixed(x.value, 3) + " dB (95 %: " + fixed(x.low, 3) + " to " + fixed(x.high, 3) + " dB)";
}

std::string cost_text(const ReceiverCost& cost) {
  return readable(cost.operations()) + " operations and " + readable(cost.pj(), 3) + " pJ a bit (" +
         readable(cost.arithmetic_pj, 3) + " pJ arithmetic, " + readable(cost.converters_pj, 3) +
         " pJ converters)";
}

}  // namespace

Table cut_table(const Economy& economy) {
  Table table;
  Column cut{"cut"}, from{"from"}, to{"to"};
  Columns others(economy.as_is);
  for (const LeanReceiver& single : economy.singles)
    for (std::size_t c = 0; c < economy.cuts.size(); ++c) {
      if (single.rungs[c] == 0) continue;
      cut.cells.emplace_back(economy.cuts[c].name());
      from.cells.emplace_back(economy.cuts[c].values.front());
      to.cells.emplace_back(economy.cuts[c].values[single.rungs[c]]);
      others.add(single);
    }
  for (auto* column : {&cut, &from, &to}) table.columns.push_back(std::move(*column));
  others.move_into(table);
  return table;
}

Table front_table(const Economy& economy, const std::vector<LeanReceiver>& receivers) {
  Table table;
  Column settings{"cut"}, chosen{"chosen"};
  Columns others(economy.as_is);
  for (const LeanReceiver& lean : receivers) {
    settings.cells.emplace_back(cuts_text(economy.cuts, lean.rungs));
    chosen.cells.emplace_back(economy.cheapest && economy.cheapest->rungs == lean.rungs);
    others.add(lean);
  }
  table.columns.push_back(std::move(settings));
  table.columns.push_back(std::move(chosen));
  others.move_into(table);
  return table;
}

std::string settings_text(const Scenario& scenario, const std::vector<Cut>& cuts, const Rungs& rungs) {
  const Scenario lean = with_cuts(scenario, cuts, rungs);
  std::string text;
  for (std::size_t c = 0; c < cuts.size(); ++c)
    if (rungs[c] > 0 && cuts[c].block.empty())
      text += " --set " + cuts[c].key + "=" + cuts[c].values[rungs[c]];
  if (lean.written("dsp.chain") != scenario.written("dsp.chain"))
    text += " --set dsp.chain=" + lean.written("dsp.chain");
  return text.empty() ? text : text.substr(1);
}

std::vector<Fact> economy_facts(const EconomiseOrder& order, const Economy& economy) {
  const ReceiverCost& own = economy.as_is.cost;
  std::vector<Fact> facts = {
      {"penalty_allowed_db", "penalty allowed", order.penalty_db, readable(order.penalty_db) + " dB of SNR"},
      {"own_operations_per_bit", "the receiver as it is", own.operations(), cost_text(own)},
      {"own_pj_per_bit", "", own.pj(), ""},
  };
  if (economy.cheapest) {
    const LeanReceiver& lean = *economy.cheapest;
    const std::string settings = settings_text(order.scenario, economy.cuts, lean.rungs);
    const double operations = 100.0 * lean.cost.operations() / own.operations(),
                 energy = 100.0 * lean.cost.pj() / own.pj();
    const MeasuredOutput& fresh = economy.fresh_penalty_db;
    for (Fact& fact : std::vector<Fact>{
             {"cut", "cheapest within it", cuts_text(economy.cuts, lean.rungs), ""},
             {"operations_per_bit", "costs", lean.cost.operations(), cost_text(lean.cost)},
             {"pj_per_bit", "", lean.cost.pj(), ""},
             {"operations_percent", "of as it is", operations,
              readable(operations, 3) + " % of the operations, " + readable(energy, 3) + " % of the energy"},
             {"energy_percent", "", energy, ""},
             {"penalty_db", "penalty", finite(lean.penalty_db.value), interval_text(lean.penalty_db)},
             {"fresh_penalty_db", "on fresh frames", finite(fresh.value),
              interval_text(fresh) + ", " + grouped(order.fresh_frames) + " frames"},
             {"fresh_penalty_low_db", "", finite(fresh.low), ""},
             {"fresh_penalty_high_db", "", finite(fresh.high), ""},
             {"fresh_ber", "BER there", economy.fresh_ber,
              scientific(economy.fresh_ber) + ", " + scientific(economy.ber) + " as it is"},
             {"settings", "to have it", settings, settings}})
      facts.push_back(std::move(fact));
  } else {
    facts.push_back({"cut", "cheapest within it", std::string(), "nothing can be cut"});
  }
  if (!economy.idle.empty()) facts.push_back({"idle", "saves nothing", join(economy.idle, ", "), ""});
  facts.push_back(
      {"measured", "measured", std::uint64_t{economy.measured.size()},
       grouped(economy.measured.size()) + " receivers, " + grouped(economy.frames) + " receptions" +
           (economy.complete ? "" : "; the search ended before all were seen that could be cheaper")});
  facts.push_back({"complete", "", economy.complete, ""});
  return facts;
}

}  // namespace cohlink
