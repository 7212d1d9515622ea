// A balanced pair of photodiodes and the noise of its output.
#pragma once

#include <cmath>

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
inline double mismatch_of_cmrr(double cmrr_db) { return amplitude_from_db(-cmrr_db); }

/// Photocurrent difference of two diodes, by the power |field|^2 on each [W]:
///   I = R+ |plus|^2 - R- |minus|^2,
/// and apart from it its noise: shot noise of one-sided density 2 q (I+ + I- + 2 dark), following the light
/// from sample to sample, and thermal noise. Also by itself the current of the minus diode, which a skew will
/// move. R. Kumar and M. J. Deen, Fiber Optic Communications (Wiley 2014),
/// ch. on noise.
class BalancedPair {
 public:
  BalancedPair(const PhotodiodeParameters& p, double sample_rate)
      : p_(p),
        // One-sided 2 q I over half the sample rate: variance q I x rate, per ampere over R.
        shot_scale_(p.shot_noise ? std::sqrt(kElementaryCharge * p.responsivity * sample_rate) : 0.0),
        dark_(2.0 * p.dark_current / p.responsivity),
        thermal_sigma_(p.thermal_noise * std::sqrt(sample_rate / 2.0)) {}

  /// Without noise [A].
  double operator()(double plus, double minus) const {
    return p_.responsivity * ((1.0 + p_.mismatch) * plus - (1.0 - p_.mismatch) * minus);
  }

  /// What all of this hangs on, beside the parameters.
  const PhotodiodeParameters& parameters() const { return p_; }
  double shot_scale() const { return shot_scale_; }  // A/sqrt(W), of sqrt(light on both + dark light)
  double dark_light() const { return dark_; }        // W that would give the dark currents
  double thermal_deviation() const { return thermal_sigma_; }  // A

  bool has_shot_noise() const { return shot_scale_ > 0.0; }
  bool has_thermal_noise() const { return thermal_sigma_ > 0.0; }

  /// What noise adds to one sample [A], by a standard normal each for shot and thermal noise.
  double noise(double plus, double minus, double shot, double thermal) const {
    const double on_both = (1.0 + p_.mismatch) * plus + (1.0 - p_.mismatch) * minus;
    return shot_scale_ * std::sqrt(on_both + dark_) * shot + thermal_sigma_ * thermal;
  }

  /// R- |minus|^2, without noise [A].
  double minus_current(double minus) const { return p_.responsivity * (1.0 - p_.mismatch) * minus; }

 private:
  PhotodiodeParameters p_;
  double shot_scale_, dark_, thermal_sigma_;
};

}  // namespace cohlink
