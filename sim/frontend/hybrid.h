// The 90-degree hybrid, wired from four 2x2 couplers and a phase shifter.
#pragma once

#include <array>
#include <complex>

namespace cohlink {

/// Fields at the four photodiodes [sqrt(W)]: in-phase pair, quadrature pair, plus and minus of each.
struct HybridOutputs {
  std::complex<double> i_plus, i_minus, q_plus, q_minus;
};

/// A lossless 2x2 coupler splits half and half and turns what crosses by 90 degrees:
///   [a'; b'] = 1/sqrt(2) [1 i; i 1] [a; b]   (a 3 dB directional coupler; Agrawal, Fiber-Optic
///   Communication Systems, ch. on components).
inline std::array<std::complex<double>, 2> couple(std::complex<double> a, std::complex<double> b) {
  constexpr double h = 0.70710678118654752440;
  const std::complex<double> ia(-a.imag(), a.real()), ib(-b.imag(), b.real());
  return {h * (a + ib), h * (ia + b)};
}

/// Hybrid of one polarisation. `shifter` is exp(i phase) of the phase shifter in one local-oscillator arm;
/// -90 degrees is right, a hybrid phase error is added to it. With signal S and oscillator L the balanced
/// differences are
///   |i_plus|^2 - |i_minus|^2 = Re(S L*),   |q_plus|^2 - |q_minus|^2 = Im(S L*)
/// for a shifter of exp(-i pi/2).
inline HybridOutputs hybrid(std::complex<double> signal, std::complex<double> oscillator,
                            std::complex<double> shifter) {
  const auto [signal_q, signal_i] = couple(signal, 0.0);  // through, crossed
  const auto [oscillator_q, oscillator_i] = couple(oscillator, 0.0);
  const auto [q_plus, q_minus] = couple(signal_q, oscillator_q);
  const auto [i_plus, i_minus] = couple(signal_i, oscillator_i * shifter);
  return {i_plus, i_minus, q_plus, q_minus};
}

}  // namespace cohlink
