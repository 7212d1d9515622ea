#include "tools/study/cost_table.h"

#include <cmath>
#include <optional>

#include "rx/stage/decoder_cost.h"
#include "tools/study/plan/fec.h"
#include "tools/study/plan/numbers.h"

namespace cohlink {
namespace {

/// In one symbol period, where the scenario has its code decoded.
std::optional<BlockCost> decoder_cost(const Scenario& scenario, double bits) {
  if (!scenario.boolean("fec.decode")) return std::nullopt;
  const std::string code = scenario.text("fec.code");
  return BlockCost{"decoder (" + code + ")", bits * decoder_operations(code)};
}

}  // namespace

OperationEnergies operation_energies(const Scenario& scenario) {
  const double words = static_cast<double>(scenario.integer("cost.word_length_bits")) / 8.0;
  return {words * words * scenario.number("cost.energy_per_multiplication_pj"),
          words * scenario.number("cost.energy_per_addition_pj")};
}

std::string cost_basis(const Scenario& scenario) {
  const auto [multiplication, addition] = operation_energies(scenario);
  return "energy: arithmetic of " + std::to_string(scenario.integer("cost.word_length_bits")) +
         "-bit words in " + readable(scenario.number("cost.node_nm")) + " nm, " + readable(multiplication) +
         " pJ a multiplication and " + readable(addition) +
         " pJ an addition (section cost); memory, converters, " +
         (scenario.boolean("fec.decode") ? "" : "code (unless fec.decode) ") +
         "and what runs once a capture are not in it";
}

ReceiverCost receiver_cost(const Receiver& receiver, const Scenario& scenario, double sample_rate,
                           std::size_t symbols) {
  constexpr double kLanes = 4.0;
  const double rate = scenario.number("signal.symbol_rate_gbd") * 1e9;
  const double bits = bit_rates(scenario).line / rate;  // in a symbol period
  const auto [multiplication, addition] = operation_energies(scenario);
  Operations all;
  for (const BlockCost& cost : receiver.cost(sample_rate, symbols)) all += cost.per_symbol;
  if (const auto decoder = decoder_cost(scenario, bits)) all += decoder->per_symbol;
  ReceiverCost cost;
  cost.multiplications = all.multiplications / bits;
  cost.additions = all.additions / bits;
  cost.arithmetic_pj = cost.multiplications * multiplication + cost.additions * addition;
  cost.converters_pj = kLanes * sample_rate / rate / bits * std::exp2(scenario.integer("adc.bits")) *
                       scenario.number("cost.energy_per_conversion_step_pj");
  return cost;
}

Table cost_table(const Receiver& receiver, const Scenario& scenario, const Capture& capture) {
  const double rate = scenario.number("signal.symbol_rate_gbd") * 1e9;
  const double bits = bit_rates(scenario).line / rate;  // in a symbol period; none for Gaussian symbols
  const auto symbols =
      static_cast<std::size_t>(static_cast<double>(capture.samples()) / capture.sample_rate * rate);
  const auto [multiplication, addition] = operation_energies(scenario);
  std::vector<BlockCost> costs = receiver.cost(capture.sample_rate, symbols);
  if (const auto decoder = decoder_cost(scenario, bits)) costs.push_back(*decoder);
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
