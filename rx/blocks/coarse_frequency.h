// Carrier offset from the shape of the spectrum, before anything is equalised.
#pragma once

#include <vector>

#include "rx/stage/cost.h"
#include "sim/signal/execution/fft.h"
#include "sim/signal/field.h"
#include "sim/signal/pulse.h"

namespace cohlink {

struct Block;
struct BlockSetting;

/// Finds the shift at which the received power spectrum, averaged over both polarisations, best matches the
/// pulse's: blind to data, dispersion and polarisation, and to carrier phase. The match is decided by the
/// spectrum's two edges (a balanced quadricorrelator in effect: A. N. D'Andrea and U. Mengali, IEEE Trans.
/// Commun. 41(2) 267, 1993); its standard deviation is about 0.25 sqrt(roll_off R fs / N) for N samples
/// at rate fs: 15 MHz for 2^16 samples of 32 GBd at roll-off 0.1. Enough to bring the signal under its
/// matched filter; the fourth-power estimate on symbols does the rest. Range: +-symbol_rate / 4, and
/// that of a chain with both: the fine estimate (frequency.h), which wraps at symbol_rate / 8, has what is
/// left; tests/rx/blocks/frequency_range_test.cpp shows it with DGD, dispersion and 16QAM. Receiver bandwidth
/// that cuts one edge more than the other draws the estimate towards zero.
class CoarseFrequencyEstimator {
 public:
  CoarseFrequencyEstimator(const PulseShape& shape, double sample_rate, const FftCache& fft);

  /// Offset [Hz] of the rotation exp(+i 2 pi f t) in `signal` (at the rate given before); 0 for a row shorter
  /// than one segment.
  double operator()(const Field<float>& signal) const;

  static constexpr std::size_t kSegment = 2048;  // samples a periodogram

 private:
  std::vector<double> spectrum(const Field<float>& signal) const;
  double match(const std::vector<double>& power, double offset) const;

  PulseShape shape_;
  double sample_rate_;
  const Fft<float>* fft_;
};

/// As a block of the chain, at two samples a symbol. Its cost is the offset's removal: the estimate is made
/// once.
Block coarse_frequency_block(const BlockSetting& setting);

}  // namespace cohlink
