// Forward error correction as this program needs it: the pre-FEC BER a code can still correct.
#pragma once

#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "sim/signal/scenario/scenario.h"

namespace cohlink {

struct FecCode {
  std::string_view name;  // as fec.code spells it
  double threshold_ber;   // pre-FEC BER for a post-FEC BER of 1e-15
  double simulated_ber;   // the same for 1e-6, by our decoder over white noise on QPSK (docs/codes.md)
  double overhead;        // parity over payload
  std::string_view source;
};

/// The open standards' codes, weakest first.
const std::vector<FecCode>& fec_codes();

/// Pre-FEC BER that a verdict is passed on: fec.threshold_ber, else that of fec.code; nothing with neither.
std::optional<double> fec_threshold(const Scenario& scenario);

/// Parity over payload of the code the verdict is about: fec.overhead_percent, else that of fec.code; nothing
/// with neither, or when a threshold was given without an overhead (whose code would it be?).
std::optional<double> fec_overhead(const Scenario& scenario);

/// Bits a second [b/s] of both polarisations on the line, and what is left of them for payload.
struct BitRates {
  double line = 0.0;
  std::optional<double>
      net;  // without the code's parity and the pilots; nothing where the overhead is not known
};
BitRates bit_rates(const Scenario& scenario);

/// "pass" when even the upper end of the BER's 95 % interval is below the threshold, "fail" when even the
/// lower end is above it, else "undecided": count longer.
std::string verdict(double ber_low, double ber_high, double threshold);

}  // namespace cohlink
