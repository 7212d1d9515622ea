// Carrier frequency offset from the fourth power of the symbols.
#pragma once

#include "rx/stage/cost.h"
#include "sim/signal/execution/fft.h"
#include "sim/signal/field.h"

namespace cohlink {

struct Block;
struct BlockSetting;

struct FrequencyEstimate {
  double offset_hz = 0.0;     // rotation exp(+i 2 pi f t) left in the symbols
  double peak_to_mean = 0.0;  // spectral line over the mean of the spectrum: below kFrequencyLock, no lock
};

/// A spectrum of noise alone exceeds this ratio about once in 1e8 captures.
inline constexpr double kFrequencyLock = 25.0;

struct FrequencyParameters {
  std::size_t longest = std::size_t{1} << 17;  // symbols used, from the middle of the row
};

/// Raising QPSK or 16QAM to the fourth power leaves a spectral line at four times the offset. The line is
/// searched in the zero-padded spectrum summed over both polarisations, which share the offset, and
/// refined by a parabola through the periodogram close to its top (the maximum-likelihood estimate of
/// a tone: D. C. Rife and R. R. Boorstyn, IEEE Trans. Inf. Theory 20(5) 591, 1974).
/// Unambiguous for |offset| < symbol_rate / 8; beyond that it wraps by symbol_rate / 4.
/// A. Leven et al., IEEE Photon. Technol. Lett. 19(6) 366 (2007); for QAM M. Selmi, Y. Jaouen and
/// P. Ciblat, Proc. ECOC, P3.08 (2009).
class FrequencyEstimator {
 public:
  explicit FrequencyEstimator(const FftCache& fft, const FrequencyParameters& parameters = {})
      : fft_(fft), p_(parameters) {}

  /// `symbols`: one sample a symbol; only [first, last) is used.
  FrequencyEstimate operator()(const Field<float>& symbols, std::size_t first, std::size_t last) const;

 private:
  FftCache fft_;
  FrequencyParameters p_;
};

/// Multiplies sample n by exp(-i 2 pi f n / sample_rate), phase kept in double.
Field<float> remove_frequency(Field<float> signal, double offset_hz);

/// As a block of the chain, on symbols. Its cost is the offset's removal: the estimate is made once.
Block frequency_block(const BlockSetting& setting);

}  // namespace cohlink
