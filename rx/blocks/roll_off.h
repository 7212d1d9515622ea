// The pulse's roll-off from the shape of the received spectrum.
#pragma once

#include <optional>
#include <vector>

#include "sim/signal/execution/fft.h"
#include "sim/signal/field.h"
#include "sim/signal/pulse.h"

namespace cohlink {

struct Block;
struct BlockSetting;

/// Least squares of the averaged power spectrum, both rows, against gain times a raised cosine plus white
/// noise, over the roll-off (root-raised-cosine pulses have the raised cosine as their power spectrum:
/// Proakis, Digital Communications, ch. 9; averaging after P. D. Welch, IEEE Trans. Audio Electroacoust.
/// 15(2) 70, 1967). Blind to data, dispersion, polarisation and carrier phase; wants the carrier offset gone
/// and the matched filter not yet applied. A front end that is not flat over the band reads as roll-off.
class RollOffEstimator {
 public:
  /// `shape`: symbol rate, and the band beyond which earlier filters may have cut.
  RollOffEstimator(const PulseShape& shape, double sample_rate, const FftCache& fft);

  /// Roll-off in [0.01, 1]; nothing for a row shorter than one segment, or an empty one.
  std::optional<double> operator()(const Field<float>& signal) const;

  static constexpr std::size_t kSegment = 2048;  // samples a periodogram

 private:
  double misfit(const std::vector<double>& power, double roll_off) const;
  PulseShape shape_;
  double sample_rate_;
  const Fft<float>* fft_;
};

/// As a block of the chain: it changes nothing, and says what it finds.
Block roll_off_block(const BlockSetting& setting);

}  // namespace cohlink
