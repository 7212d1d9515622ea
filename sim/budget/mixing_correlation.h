// How alike the mixing products are that light makes at two places of a fibre.
//
// Every mixing product of frequencies f1, f2 and f1 + f2 - f into f turns between two places by 4 pi^2 b
// (f1 - f)(f2 - f), b the dispersion (beta2 times length) between them. Summed over all products of a
// stationary Gaussian field of density G, weighed by the receiver's filter W, that is
//   R(b) = integral over f, f1, f2 of W(f) G(f1) G(f2) G(f1 + f2 - f) exp(4 pi^2 i b (f1 - f)(f2 - f)),
// and because 2 (f1 - f)(f2 - f) = f^2 - f1^2 - f2^2 + (f1 + f2 - f)^2 it is one integral over time,
//   R(b) = conj. of  integral |r|^2 r conj(r0) dt,  r = Fourier transform of G exp(2 pi^2 i b f^2),
// r0 the same of W. All that the GN integral needs to know of the light is R.
#pragma once

#include <vector>

#include "sim/budget/gn_light.h"
#include "sim/signal/execution/fft.h"

namespace cohlink {

/// The same quantity read at band centre and behind the matched filter.
struct GnReadings {
  double centre = 0, matched = 0;
};

/// Real part of R (it is all that counts: a line's sum is symmetric) on the dispersions b(i) = first
/// 2^(i / per_octave), and at 0. Density for the power of the channel under test, W for noise over signal in
/// its symbol rate, so that R has the unit of 1/Hz^2 per Hz^2. Computed as far as asked.
class MixingCorrelation {
 public:
  /// `per_octave` 0: as many nodes as the comb needs.
  explicit MixingCorrelation(const GnLight& light, int per_octave = 0);

  /// Computes what is missing up to the dispersion `largest` [s^2].
  void cover(double largest);

  const GnReadings& at_zero() const { return at_zero_; }
  double dispersion(std::size_t i) const { return dispersions_[i]; }
  const GnReadings& at_node(std::size_t i) const { return nodes_[i]; }
  std::size_t nodes() const { return nodes_.size(); }
  int per_octave() const { return per_octave_; }
  /// Between the nodes by a cubic; dispersion of either sign, not beyond what is covered.
  GnReadings operator()(double dispersion) const;

 private:
  struct Band {
    double frequency, power;
    ChannelDensity density;
  };
  GnReadings correlate(double dispersion);
  GnReadings far_limit(double dispersion) const;
  std::vector<const Band*> meeting(double dispersion) const;
  double density(double f) const;

  std::vector<Band> bands_;
  double symbol_rate_, first_;
  int per_octave_;
  GnReadings at_zero_, far_;  // R at 0; b R(b) where b is large
  std::vector<double> dispersions_;
  std::vector<GnReadings> nodes_;
  FftCache fft_{FftPlanning::kEstimate, ""};
};

}  // namespace cohlink
