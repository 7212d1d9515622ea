#include "tools/study/fec.h"

namespace cohlink {

const std::vector<FecCode>& fec_codes() {
  static const std::vector<FecCode> codes = {
      {"rs-g709", 8.55e-5, 16.0 / 239.0, "RS(255,239), ITU-T G.709 / G.975"},
      {"staircase-g709.2", 4.5e-3, 16.0 / 239.0, "ITU-T G.709.2 (2018), from memory"},
      {"cfec-400zr", 1.25e-2, 0.148, "OIF-400ZR-01.0, from memory"},
      {"ofec", 2.0e-2, 0.153, "Open ROADM W-port; OpenZR+ MSA 1.0 (2020), from memory"},
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

std::string verdict(double ber_low, double ber_high, double threshold) {
  if (ber_high < threshold) return "pass";
  if (ber_low > threshold) return "fail";
  return "undecided";
}

}  // namespace cohlink
