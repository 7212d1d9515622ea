#include "tools/study/plan/theory.h"

#include "sim/signal/constellation.h"
#include "sim/signal/line/read_line.h"
#include "sim/signal/units.h"

namespace cohlink {

Modulation scenario_modulation(const Scenario& scenario) {
  return modulation_named(scenario.text("signal.modulation"));
}

std::optional<double> theory_ber(const Scenario& scenario) {
  const auto osnr_db = scenario.optional_number("channel.osnr_db");
  const Modulation modulation = scenario_modulation(scenario);
  if (!osnr_db || bits_per_symbol(modulation) == 0) return std::nullopt;
  for (const LineSection& section : read_line(scenario).sections)
    if (section.amplifier.ase || section.span.gamma > 0.0) return std::nullopt;
  const double symbol_rate = scenario.number("signal.symbol_rate_gbd") * 1e9;
  const double snr = from_db(*osnr_db) * kOsnrBandwidthHz / symbol_rate;
  return scenario.boolean("signal.differential") ? theory_ber_differential(modulation, snr)
                                                 : theory_ber(modulation, snr);
}

}  // namespace cohlink
