// Chromatic dispersion, undone in the frequency domain.
#pragma once

#include <memory>

#include "rx/blocks/overlap_save.h"
#include "sim/signal/execution/execution.h"
#include "sim/signal/field.h"

namespace cohlink {

struct Block;
struct BlockSetting;
class Scenario;

struct DispersionParameters {
  double beta2_length = 0.0;   // accumulated by the path, to be removed [s^2]
  double sample_rate = 64e9;   // Hz
  double band_edge = 17.6e9;   // signal's one-sided bandwidth [Hz]
  double offset_margin = 4e9;  // carrier offset that stays in the flat band [Hz]
  double taper = 3.2e9;        // from full response to none, beyond that [Hz]
  double overlap = 1.0;        // of the blocks, over the spread of the band: less is cheaper and cuts it off
  double beta3_length = 0.0;   // third order accumulated by the path, to be removed too [s^3]
};

/// Band-limited inverse of the fibre: the fibre multiplies by exp(+i beta2 L w^2 / 2 - i beta3 L w^3 / 6)
/// (FFT forward = exp(-i w t)), the equaliser by its conjugate up to the band edge and by a raised-cosine
/// taper to zero beyond it, which keeps the impulse response as short as the spread of the band itself.
/// S. J. Savory, Opt. Express 16(2) 804 (2008).
class DispersionEqualiser {
 public:
  DispersionEqualiser(const DispersionParameters& parameters, const Execution& execution);
  Field<float> operator()(Field<float> signal) const;

  /// Samples at each end that miss input.
  std::size_t reach() const { return filter_ ? filter_->reach() : 0; }
  const OverlapSaveFilter* filter() const { return filter_.get(); }

  /// Of one sample, both rows.
  Operations cost() const { return filter_ ? filter_->cost() : Operations{}; }

 private:
  std::shared_ptr<const OverlapSaveFilter> filter_;  // null when there is nothing to undo
};

/// 1 up to `pass` either side of the carrier, raised cosine to 0 at `stop`, 0 beyond [Hz].
double band_taper(double frequency, double pass, double stop);

/// beta2 L [s^2] that a scenario's receiver is told: the path's sum unless dsp.dispersion_ps_per_nm says.
double told_beta2_length(const Scenario& scenario);

/// As a block of the chain: dsp.dispersion, dsp.dispersion_ps_per_nm, dsp.dispersion_overlap.
Block dispersion_block(const BlockSetting& setting);

}  // namespace cohlink
