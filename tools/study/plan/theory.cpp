#include "tools/study/plan/theory.h"

#include <algorithm>
#include <cmath>

#include "rx/quality/metrics.h"
#include "sim/signal/awgn_information.h"
#include "sim/signal/constellation.h"
#include "sim/signal/line/read_line.h"
#include "sim/signal/read_modulation.h"
#include "sim/signal/units.h"
#include "tools/study/plan/receiver_outputs.h"

namespace cohlink {

Modulation scenario_modulation(const Scenario& scenario) { return read_modulation(scenario); }

std::optional<double> ideal_snr(const Scenario& scenario) {
  const auto osnr_db = scenario.optional_number("channel.osnr_db");
  if (!osnr_db) return std::nullopt;
  for (const LineSection& section : read_line(scenario).sections)
    if (section.amplifier.ase || section.span.gamma > 0.0) return std::nullopt;
  return from_db(*osnr_db) * kOsnrBandwidthHz / (scenario.number("signal.symbol_rate_gbd") * 1e9);
}

namespace {

double ber_at(const Scenario& scenario, Modulation modulation, double snr) {
  return scenario.boolean("signal.differential") ? theory_ber_differential(modulation, snr)
                                                 : theory_ber(modulation, snr);
}

struct Law {
  Output output;
  bool of_bits;
  double (*at)(const Scenario& scenario, Modulation modulation, double snr);
};

double snr_db(const Scenario&, Modulation, double snr) { return to_db(snr); }
constexpr Law kLaws[] = {
    {Output::kSnr, false, snr_db},
    {Output::kSnrX, false, snr_db},
    {Output::kSnrY, false, snr_db},
    {Output::kEvm, false, [](const Scenario&, Modulation, double snr) { return 100.0 / std::sqrt(snr); }},
    {Output::kQ, true,
     [](const Scenario& scenario, Modulation modulation, double snr) {
       return q_from_ber_db(ber_at(scenario, modulation, snr));
     }},
    {Output::kBerX, true, ber_at},
    {Output::kBerY, true, ber_at},
    {Output::kMutualInformation, true,
     [](const Scenario&, Modulation m, double snr) { return awgn_mutual_bits(constellation(m), snr); }},
    {Output::kGeneralisedInformation, true,
     [](const Scenario&, Modulation m, double snr) { return awgn_generalised_bits(constellation(m), snr); }},
    {Output::kNormalisedInformation, true,
     [](const Scenario&, Modulation m, double snr) { return awgn_ngmi(constellation(m), snr); }},
};

const Law* law_of(const std::string& output) {
  const auto* found =
      std::ranges::find_if(kLaws, [&](const Law& law) { return row_of(law.output).name == output; });
  return found == std::end(kLaws) ? nullptr : found;
}

}  // namespace

std::optional<double> theory_ber(const Scenario& scenario) {
  return theory_of(scenario, row_of(Output::kBerX).name);
}

bool has_theory(const std::string& output) { return law_of(output) != nullptr; }

std::optional<double> theory_of(const Scenario& scenario, const std::string& output) {
  const Law* law = law_of(output);
  const Modulation modulation = scenario_modulation(scenario);
  if (law == nullptr || (law->of_bits && bits_per_symbol(modulation) == 0)) return std::nullopt;
  const auto snr = ideal_snr(scenario);
  return snr ? std::optional(law->at(scenario, modulation, *snr)) : std::nullopt;
}

}  // namespace cohlink
