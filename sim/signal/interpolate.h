// Band-limited interpolation of a periodic row at any instant.
#pragma once

#include <array>
#include <complex>
#include <cstddef>
#include <span>
#include <vector>

#include "sim/signal/execution/fft.h"
#include "sim/signal/field.h"

namespace cohlink {

/// Weights of the neighbours of an instant that lies phase/kPhases behind a sample: [phase][neighbour], from
/// 11 samples before it to 12 behind; between phases on a straight line.
struct InterpolationWeights {
  static constexpr int kTaps = 24, kPhases = 4096;
  std::vector<std::array<double, kTaps>> at;  // kPhases + 1
};
const InterpolationWeights& interpolation_weights();

/// Doubles the sample rate with an FFT, then weighs 24 neighbours with a Kaiser-windowed sinc (J. F. Kaiser
/// and R. W. Schafer, IEEE Trans. ASSP 28(1) 105, 1980). With the doubled rate the window has half the band
/// for its transition: interpolation error below -130 dB of the row's power.
class PeriodicInterpolator {
 public:
  /// From the row's spectrum (forward FFT divided by its length n).
  PeriodicInterpolator(const ComplexRow<double>& spectrum, const FftCache& fft);

  /// Value at `position`, counted in samples of the original row; any real number, periodic in n.
  std::complex<double> operator()(double position) const;

  /// Real or imaginary parts at many positions, as many as `out` has room for.
  enum class Part { kReal, kImaginary };
  void operator()(Part part, std::span<const double> positions, std::span<double> out) const;

 private:
  std::size_t length_;                        // twice the samples of the row
  std::array<std::vector<double>, 2> parts_;  // so many, and the first ones again behind them
};

}  // namespace cohlink
