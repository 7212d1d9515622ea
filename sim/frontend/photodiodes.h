// A balanced pair of photodiodes and the noise of its output.
#pragma once

#include <cmath>
#include <complex>

#include "sim/signal/random.h"
#include "sim/signal/units.h"

namespace cohlink {

struct PhotodiodeParameters {
  double responsivity = 1.0;   // A/W, mean of the two
  double mismatch = 0.0;       // R+ = R (1 + mismatch), R- = R (1 - mismatch)
  double dark_current = 0.0;   // A, each diode
  double thermal_noise = 0.0;  // A/sqrt(Hz), one-sided, referred to the output of the pair
  bool shot_noise = false;
};

/// Common-mode rejection ratio, as receivers are specified: CMRR = 20 log10(|I+ + I-| / |I+ - I-|) with equal
/// light on both diodes (OIF-DPC-RX-01.x states its reciprocal in dBe). A mismatch m gives -20 log10 m.
inline double mismatch_of_cmrr(double cmrr_db) { return std::pow(10.0, -cmrr_db / 20.0); }

/// Photocurrent difference of two fields [sqrt(W)] with its noise:
///   I = R+ |plus|^2 - R- |minus|^2,
/// shot noise of one-sided density 2 q (I+ + I- + 2 dark), following the light from sample to sample, and
/// thermal noise. Also by itself the current of the minus diode, which a skew will move. Draws only what is
/// switched on. R. Kumar and M. J. Deen, Fiber Optic Communications (Wiley 2014), ch. on noise.
class BalancedPair {
 public:
  BalancedPair(const PhotodiodeParameters& p, double sample_rate)
      : p_(p),
        // One-sided 2 q I over half the sample rate: variance q I x rate, per ampere over R.
        shot_scale_(p.shot_noise ? std::sqrt(kElementaryCharge * p.responsivity * sample_rate) : 0.0),
        dark_(2.0 * p.dark_current / p.responsivity),
        thermal_sigma_(p.thermal_noise * std::sqrt(sample_rate / 2.0)) {}

  double operator()(std::complex<double> plus, std::complex<double> minus, RandomStream& shot,
                    RandomStream& thermal) const {
    const double on_plus = (1.0 + p_.mismatch) * std::norm(plus);
    const double on_minus = (1.0 - p_.mismatch) * std::norm(minus);
    double noise = 0.0;
    if (shot_scale_ > 0.0) noise += shot_scale_ * std::sqrt(on_plus + on_minus + dark_) * shot.normal();
    if (thermal_sigma_ > 0.0) noise += thermal_sigma_ * thermal.normal();
    return p_.responsivity * (on_plus - on_minus) + noise;
  }

  /// R- |minus|^2, without noise [A].
  double minus_current(std::complex<double> minus) const {
    return p_.responsivity * (1.0 - p_.mismatch) * std::norm(minus);
  }

 private:
  PhotodiodeParameters p_;
  double shot_scale_, dark_, thermal_sigma_;
};

}  // namespace cohlink
