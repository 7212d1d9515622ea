#include "tools/study/plan/fec.h"

#include <algorithm>
#include <boost/math/distributions/normal.hpp>

#include "sim/signal/constellation.h"
#include "sim/signal/frame_layout.h"
#include "sim/signal/read_modulation.h"
#include "tools/study/plan/numbers.h"

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

// Of a shaped symbol: fair bits, and the only ones that parity, which is fair, can go into.
static constexpr double kSignBits = 2.0;

std::string Threshold::name() const {
  return quality == Quality::kNgmi ? "NGMI" : quality == Quality::kBer ? "BER" : "BER after decoding";
}

std::string Threshold::text() const {
  return name() + (quality == Quality::kNgmi ? " at least " : " at most ") + readable(value);
}

std::string Threshold::shown() const {
  return quality == Quality::kNgmi ? fixed(value, 4) : scientific(value);
}

std::optional<Threshold> verdict_threshold(const Scenario& scenario) {
  const auto ber = scenario.optional_number("fec.threshold_ber"),
             ngmi = scenario.optional_number("fec.threshold_ngmi");
  if (ber && ngmi)
    scenario.reject("fec.threshold_ngmi", "and fec.threshold_ber are two verdicts; give one of them");
  if (ngmi) return Threshold{Quality::kNgmi, *ngmi};
  if (ber) return Threshold{Quality::kBer, *ber};
  const std::string name = scenario.text("fec.code");
  for (const auto& code : fec_codes())
    if (code.name == name) return Threshold{Quality::kBer, code.threshold_ber};
  return std::nullopt;
}

std::optional<double> fec_threshold(const Scenario& scenario) {
  const auto threshold = verdict_threshold(scenario);
  return threshold && threshold->quality == Quality::kBer ? std::optional(threshold->value) : std::nullopt;
}

std::optional<double> fec_overhead(const Scenario& scenario) {
  if (const auto given = scenario.optional_number("fec.overhead_percent")) return *given / 100.0;
  for (const char* given : {"fec.threshold_ber", "fec.threshold_ngmi"})
    if (scenario.optional_number(given)) return std::nullopt;
  const std::string name = scenario.text("fec.code");
  for (const auto& code : fec_codes())
    if (code.name == name) return code.overhead;
  return std::nullopt;
}

BitRates bit_rates(const Scenario& scenario) {
  const Constellation& format = constellation(read_modulation(scenario));
  BitRates rates;
  rates.line = 2.0 * format.entropy() * scenario.number("signal.symbol_rate_gbd") * 1e9;
  rates.payload = rates.line * frame_layout(scenario).payload_share();
  const auto overhead = fec_overhead(scenario);
  if (!overhead) return rates;
  if (!format.is_shaped()) {
    rates.net = rates.payload / (1.0 + *overhead);
    return rates;
  }
  const double parity = format.bits() * *overhead / (1.0 + *overhead);  // bits of a symbol: m (1 - Rc)
  if (parity > kSignBits)
    scenario.reject("fec.overhead_percent",
                    "makes more parity than the signs of shaped symbols hold, " + readable(kSignBits) +
                        " bits of " + std::to_string(format.bits()) + ": at most " +
                        readable(100.0 * kSignBits / (format.bits() - kSignBits)) + " %");
  rates.net = rates.payload * (1.0 - (parity + format.shaping().loss_bits) / format.entropy());
  return rates;
}

namespace {

/// An ideal code's rate is straight over NGMI, 1 - (H - GMI) / m: where it ends and how steep it is [b/s].
struct IdealRate {
  double most, slope;
};
IdealRate ideal_rate(const Scenario& scenario) {
  const Constellation& format = constellation(read_modulation(scenario));
  const double symbols =
      2e9 * scenario.number("signal.symbol_rate_gbd") * frame_layout(scenario).payload_share();
  return {symbols * (format.entropy() - format.shaping().loss_bits), symbols * format.bits()};
}

}  // namespace

double achievable_rate(const Scenario& scenario, double ngmi) {
  const auto [most, slope] = ideal_rate(scenario);
  return std::max(0.0, most - slope * (1.0 - ngmi));
}

double ngmi_of_rate(const Scenario& scenario, double rate) {
  const auto [most, slope] = ideal_rate(scenario);
  return 1.0 - (most - rate) / slope;
}

std::string verdict(const Threshold& threshold, const Interval& interval) {
  const bool ber = threshold.quality != Quality::kNgmi;
  if (ber ? interval.high < threshold.value : interval.low > threshold.value) return "pass";
  if (ber ? interval.low > threshold.value : interval.high < threshold.value) return "fail";
  return "undecided";
}

Interval ngmi_interval(double ngmi, double deviation, double confidence) {
  const double half = deviation * boost::math::quantile(boost::math::normal(), 0.5 + 0.5 * confidence);
  return {std::clamp(ngmi - half, 0.0, 1.0), std::clamp(ngmi + half, 0.0, 1.0)};
}

std::string verdict(const Threshold& threshold, const Score& score) {
  if (score.both.bits == 0) return "undecided";
  return verdict(threshold, threshold.quality == Quality::kBer
                                ? score.interval
                                : ngmi_interval(score.information.normalised, score.information.deviation));
}

}  // namespace cohlink
