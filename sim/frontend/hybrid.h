// The 90-degree hybrid, wired from four 2x2 couplers and a phase shifter: option "four couplers and one phase
// shifter" of M. Seimetz and C.-M. Weinert, J. Lightwave Technol. 24(3) 1317 (2006), who also give its matrix
// (volume and page from memory).
#pragma once

#include <array>
#include <cmath>
#include <complex>

#include "sim/signal/units.h"

namespace cohlink {

/// A 2x2 directional coupler, by its field amplitudes relative to an even split:
///   [a'; b'] = 1/sqrt(2) [through, cross; cross, through] [a; b].
/// through = 1, cross = i splits half and half and turns what crosses by 90 degrees (Agrawal, Fiber-Optic
/// Communication Systems, ch. on components). Without loss through^2 + |cross|^2 = 2.
struct Coupler {
  double through = 1.0;
  std::complex<double> cross = {0.0, 1.0};

  /// Coupler whose through port gets `imbalance_db` more power than its cross port, and whose crossing light
  /// turns by 90 degrees + `phase_error` [rad]. Other than 90 degrees takes excess loss: the singular values
  /// squared of the matrix are 1 +- (through |cross|) sin(phase_error), and the amplitudes are scaled so that
  /// the larger is 1, the least loss of a passive coupler.
  static Coupler unequal(double imbalance_db, double phase_error = 0.0) {
    const double ratio = from_db(imbalance_db);
    const double through = std::sqrt(2.0 * ratio / (1.0 + ratio)), cross = std::sqrt(2.0 / (1.0 + ratio));
    if (phase_error == 0.0) return {through, {0.0, cross}};
    const double passive = 1.0 / std::sqrt(1.0 + through * cross * std::abs(std::sin(phase_error)));
    return {passive * through, std::polar(passive * cross, 0.5 * kPi + phase_error)};
  }

  std::array<std::complex<double>, 2> operator()(std::complex<double> a, std::complex<double> b) const {
    constexpr double h = 0.70710678118654752440;
    return {h * (through * a + cross * b), h * (cross * a + through * b)};
  }
};

/// Fields at the four photodiodes [sqrt(W)]: in-phase pair, quadrature pair, plus and minus of each.
struct HybridOutputs {
  std::complex<double> i_plus, i_minus, q_plus, q_minus;
};

/// Hybrid of one polarisation.
struct Hybrid {
  Coupler splitter;           // of signal and of oscillator: through to Q, crossed to I
  Coupler combiner;           // in front of each photodiode pair
  double phase_error = 0.0;   // rad, added to the -90 degrees of the phase shifter in the oscillator's I arm
  double transmission = 1.0;  // power, excess loss of every path together

  /// With signal S and oscillator L the balanced differences of an ideal hybrid are
  ///   |i_plus|^2 - |i_minus|^2 = Re(S L*),   |q_plus|^2 - |q_minus|^2 = Im(S L*);
  /// a phase error e turns the first into Re(S L* exp(-i e)). Uneven splitters (ratio r = through^2 /
  /// |cross|^2) make Q stronger than I by r; uneven combiners send unequal parts of |S|^2 and |L|^2 to the
  /// two diodes of a pair. A phase error d of the input couplers turns signal and oscillator alike and
  /// cancels; of the combiners it leaves cos(d) of the balanced beat, and puts -sin(d) of the beat in
  /// quadrature to it on BOTH diodes, so that it leaks as far as they are unlike.
  HybridOutputs operator()(std::complex<double> signal, std::complex<double> oscillator,
                           std::complex<double> shifter) const {
    const auto [signal_q, signal_i] = splitter(signal, 0.0);  // through, crossed
    const auto [oscillator_q, oscillator_i] = splitter(oscillator, 0.0);
    const auto [q_plus, q_minus] = combiner(signal_q, oscillator_q);
    const auto [i_plus, i_minus] = combiner(signal_i, oscillator_i * shifter);
    return {i_plus, i_minus, q_plus, q_minus};
  }

  /// exp(i phase) of the phase shifter, its error included.
  std::complex<double> shifter() const { return std::polar(1.0, -kPi / 2.0 + phase_error); }
};

}  // namespace cohlink
