#include "tools/cohlink/cost_table.h"

#include "tools/study/plan/fec.h"

namespace cohlink {

Table cost_table(const Receiver& receiver, const Scenario& scenario, const Capture& capture) {
  const double rate = scenario.number("signal.symbol_rate_gbd") * 1e9;
  const double bits = bit_rates(scenario).line / rate;  // in a symbol period; none for Gaussian symbols
  const auto symbols =
      static_cast<std::size_t>(static_cast<double>(capture.samples()) / capture.sample_rate * rate);
  const double multiplication = scenario.number("cost.energy_per_multiplication_pj"),
               addition = scenario.number("cost.energy_per_addition_pj");
  std::vector<BlockCost> costs = receiver.cost(capture.sample_rate, symbols);
  BlockCost total{"(all)", {}};
  for (const BlockCost& cost : costs) total.per_symbol += cost.per_symbol;
  costs.push_back(total);
  Table table;
  table.add("block");
  for (const char* name : {"multiplications_per_symbol", "additions_per_symbol", "look_ups_per_symbol",
                           "multiplications_per_bit", "additions_per_bit", "pj_per_bit"})
    table.add(name, Look::kHundredths);
  for (const BlockCost& cost : costs) {
    const Operations& o = cost.per_symbol;
    const auto each_bit = [&](double value) { return bits > 0.0 ? Cell(value / bits) : Cell(); };
    const Cell cells[] = {cost.block,
                          o.multiplications,
                          o.additions,
                          o.look_ups,
                          each_bit(o.multiplications),
                          each_bit(o.additions),
                          each_bit(o.multiplications * multiplication + o.additions * addition)};
    for (std::size_t c = 0; c < table.columns.size(); ++c) table.columns[c].cells.push_back(cells[c]);
  }
  return table;
}

}  // namespace cohlink
