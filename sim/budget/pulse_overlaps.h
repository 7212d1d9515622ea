// How symbols of one channel meet each other in the Kerr effect, once dispersion has spread them.
//
// Symbol 0 is distorted by i sum of C_klj a_k a_l conj(a_j), C_klj(b) the integral over t of conj(g(t)) g(t -
// k) g(t - l) conj(g(t - j)), g a pulse of unit energy under the dispersion b. To Gaussian symbols all C_klj
// count alike; others add terms of those where symbols coincide. They are kept as functions of a frequency f
// inside the symbol rate, the Fourier series over the index that is free:
//   intensity(f, l)  of C_kll over k: the intensity of one symbol meets the rest
//   pairs(f, k)      of C_kkj over j
//   alone(f)         of C_kkk over k
//   mean(f)          intensity summed over all l: constant but for the symbol clock
#pragma once

#include <complex>
#include <vector>

#include "sim/budget/gn_light.h"
#include "sim/signal/execution/fft.h"

namespace cohlink {

/// Distances in symbols at which overlaps are kept, either sign: every one at first, then ever fewer, each
/// with its weight in a sum over all.
struct SymbolDistances {
  std::vector<double> at, weight;
};
const SymbolDistances& symbol_distances();

/// Overlaps over the symbol rate at one dispersion, or gathered over many: [frequency][distance], only as
/// many distances as pulses reach over.
struct Overlaps {
  static constexpr std::size_t kFrequencies =
      10;  // midpoints of 0 to half the symbol rate; even in f otherwise
  using Complex = std::complex<double>;

  std::size_t meeting = 0;                // distances
  std::vector<Complex> intensity, pairs;  // kFrequencies x meeting
  std::vector<Complex> alone = std::vector<Complex>(kFrequencies), mean = std::vector<Complex>(kFrequencies);
};

/// Overlaps at any dispersion: a logarithmic grid of dispersions, made as far as asked, and a straight line
/// between.
class PulseOverlaps {
 public:
  explicit PulseOverlaps(const PulseShape& pulse);
  /// Adds `weight` times the overlaps at a dispersion [s^2].
  void add(Overlaps& sum, double weight, double dispersion);
  /// Dispersion from which on pulses begin to spread [s^2].
  double least() const { return least_; }

 private:
  using Complex = std::complex<double>;
  Overlaps exact(double dispersion);
  Overlaps far(double dispersion) const;
  Overlaps at_node(double dispersion);
  const Overlaps& node(std::size_t i);
  double reach(double dispersion) const;
  ComplexRow<double> wave(double frequency, double dispersion, std::size_t n, double step) const;

  ChannelDensity density_;
  double symbol_rate_, least_;
  std::vector<Overlaps> nodes_;
  FftCache fft_{FftPlanning::kEstimate, ""};
};

}  // namespace cohlink
