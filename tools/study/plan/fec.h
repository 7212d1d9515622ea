// Forward error correction as this program needs it: the pre-FEC BER a code can still correct.
#pragma once

#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "rx/quality/metrics.h"
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

/// What a link is judged by: bits that are wrong before decoding, how much the LLRs know, or bits that are
/// wrong after decoding.
enum class Quality { kBer, kNgmi, kPostFecBer };

struct Threshold {
  Quality quality = Quality::kBer;
  double value = 2e-2;
  std::string name() const;   // "BER", "NGMI", "BER after decoding"
  std::string text() const;   // "BER at most 0.02", "NGMI at least 0.92"
  std::string shown() const;  // "2.00e-02", "0.9200"
};

/// What a verdict is passed on: fec.threshold_ngmi or fec.threshold_ber, else the BER of fec.code; nothing
/// with none. InputError where both are given.
std::optional<Threshold> verdict_threshold(const Scenario& scenario);

/// The same where it is one of BER, and nothing where it is not.
std::optional<double> fec_threshold(const Scenario& scenario);

/// Parity over payload of the code the verdict is about: fec.overhead_percent, else that of fec.code; nothing
/// with neither, or when a threshold was given without an overhead (whose code would it be?).
std::optional<double> fec_overhead(const Scenario& scenario);

/// Bits a second [b/s] of both polarisations on the line (the entropy of what is sent), and what is left of
/// them for payload. Shaped symbols of entropy H, m bits in each label and a code of rate Rc carry H - m (1 -
/// Rc), less what the matcher loses: parity stands in their signs (probabilistic amplitude shaping; G.
/// Boecherer, F. Steiner and P. Schulte, IEEE Trans. Commun. 63(12) 4651, 2015). InputError where it does not
/// fit in there.
struct BitRates {
  double line = 0.0;
  double payload = 0.0;  // without the pilots
  std::optional<double>
      net;  // without the code's parity and the pilots; nothing where the overhead is not known
};
BitRates bit_rates(const Scenario& scenario);

/// Bits a second [b/s] of both polarisations that an ideal code would leave at this NGMI, without pilots and
/// less what the matcher loses: 0 where its parity would take all. And the NGMI at which it would leave so
/// many. For symbols with bits.
double achievable_rate(const Scenario& scenario, double ngmi);
double ngmi_of_rate(const Scenario& scenario, double rate);

/// "pass" when even the worse end of the 95 % interval is on the good side of the threshold, "fail" when even
/// the better end is beyond it, else "undecided": count longer.
std::string verdict(const Threshold& threshold, const Interval& interval);

/// Of NGMI with its standard error: normal, within 0 and 1.
Interval ngmi_interval(double ngmi, double deviation, double confidence = 0.95);

/// Of a reception's score, by what the threshold is of.
std::string verdict(const Threshold& threshold, const Score& score);

}  // namespace cohlink
