#include "tools/study/plan/fec.h"

#include "sim/signal/constellation.h"

namespace cohlink {

const std::vector<FecCode>& fec_codes() {
  static const std::vector<FecCode> codes = {
      {"rs-g709", 8.26e-5, 9.9e-4, 16.0 / 239.0,
       "RS(255,239), ITU-T G.709 / G.975; 1e-15 by the exact sum over error patterns"},
      {"staircase-g709.2", 4.5e-3, 4.9e-3, 16.0 / 239.0, "ITU-T G.709.2 (2018), from memory"},
      {"cfec-400zr", 1.25e-2, 1.29e-2, 0.148, "OIF-400ZR-01.0, from memory"},
      {"ofec", 2.0e-2, 2.16e-2, 0.153, "Open ROADM W-port; OpenZR+ MSA 1.0 (2020), from memory"},
  };
  return codes;
}

std::optional<double> fec_threshold(const Scenario& scenario) {
  if (const auto given = scenario.optional_number("fec.threshold_ber")) return given;
  const std::string name = scenario.text("fec.code");
  for (const auto& code : fec_codes())
    if (code.name == name) return code.threshold_ber;
  return std::nullopt;
}

std::optional<double> fec_overhead(const Scenario& scenario) {
  if (const auto given = scenario.optional_number("fec.overhead_percent")) return *given / 100.0;
  if (scenario.optional_number("fec.threshold_ber")) return std::nullopt;
  const std::string name = scenario.text("fec.code");
  for (const auto& code : fec_codes())
    if (code.name == name) return code.overhead;
  return std::nullopt;
}

BitRates bit_rates(const Scenario& scenario) {
  BitRates rates;
  rates.line = 2.0 * bits_per_symbol(modulation_named(scenario.text("signal.modulation"))) *
               scenario.number("signal.symbol_rate_gbd") * 1e9;
  const auto spacing = static_cast<double>(scenario.integer("signal.pilot_spacing"));
  const double payload = spacing > 0.0 ? 1.0 - 1.0 / spacing : 1.0;
  if (const auto overhead = fec_overhead(scenario)) rates.net = payload * rates.line / (1.0 + *overhead);
  return rates;
}

std::string verdict(double ber_low, double ber_high, double threshold) {
  if (ber_high < threshold) return "pass";
  if (ber_low > threshold) return "fail";
  return "undecided";
}

}  // namespace cohlink
