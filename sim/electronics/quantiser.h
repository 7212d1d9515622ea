// Uniform quantiser with an effective number of bits, for converters in either direction.
#pragma once

#include <cmath>
#include <cstdint>
#include <optional>
#include <span>

#include "sim/signal/random.h"

namespace cohlink {

struct QuantiserParameters {
  int bits = 8;                // 2 to 16
  std::optional<double> enob;  // effective number of bits, at most `bits`; absent = ideal
};

/// Rounds to the nearest of 2^bits codes from -2^(bits-1) to 2^(bits-1) - 1 and clips; full scale is
/// 2^(bits-1) steps, the rails lie half a step beyond the outermost codes.
///
/// An ideal quantiser adds step^2/12, which for a full-scale sine gives SNR = 6.02 bits + 1.76 dB (W. R.
/// Bennett, Bell Syst. Tech. J. 27(3) 446, 1948). The effective number of bits is what makes the same
/// formula true of the whole converter (IEEE Std 1241): white Gaussian noise of variance
/// A^2/3 (4^-enob - 4^-bits), A the full scale, is added before rounding.
class Quantiser {
 public:
  explicit Quantiser(const QuantiserParameters& p)
      : full_scale_(std::ldexp(1.0, p.bits - 1)),
        noise_(p.enob ? full_scale_ * std::sqrt((std::pow(4.0, -*p.enob) - std::pow(4.0, -p.bits)) / 3.0)
                      : 0.0) {}

  /// Full scale in steps, 2^(bits-1).
  double full_scale() const { return full_scale_; }
  /// Standard deviation of the noise before rounding, in steps.
  double noise() const { return noise_; }

  /// Codes in place of numbers counted in steps. Draws from `random`, one normal a number, only when there is
  /// noise to add.
  void operator()(std::span<double> x, RandomStream& random);

  /// Samples clipped so far.
  std::uint64_t clipped() const { return clipped_; }

 private:
  double full_scale_, noise_;
  std::uint64_t clipped_ = 0;
};

}  // namespace cohlink
