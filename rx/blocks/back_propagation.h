// Digital back-propagation: the fibre run backwards, its Kerr effect with it.
#pragma once

#include <cstddef>
#include <vector>

#include "rx/blocks/overlap_save.h"
#include "sim/signal/execution/fft.h"
#include "sim/signal/field.h"
#include "sim/signal/line/line.h"
#include "sim/signal/propagation/plan.h"

namespace cohlink {

struct Block;
struct BlockSetting;

struct BackPropagationParameters {
  /// The path as the receiver believes it to be, forwards: split steps, gains, dispersion modules
  /// (nominal_line makes one).
  PropagationPlan path;
  double output_power = 1e-3;  // W, both polarisations, of the signal at the path's end
  double sample_rate = 64e9;   // Hz
  double band_edge = 17.6e9;   // signal's one-sided bandwidth [Hz]
  double margin = 2e9;         // beyond it, kept too [Hz]
  double taper = 3.2e9;        // from all to nothing, beyond that [Hz]
};

/// E. Ip and J. M. Kahn, J. Lightwave Technol. 26(20) 3416 (2008), in the Manakov form, for both
/// polarisations at once: the received field, brought to the power it had in the fibre, goes through the
/// inverse plan with the split-step engine. Undoes dispersion too, so it stands in its place. What it cannot
/// know stays: noise, which it turns along with the signal, neighbouring channels, and polarisation effects
/// of the line. At two samples a symbol the Kerr products beyond the band are lost, which bounds what finer
/// steps gain. Streams are cut into overlapping blocks, as for overlap-save filters: the overlap is the
/// path's dispersive spread.
class BackPropagation {
 public:
  /// std::invalid_argument for a path without an inverse (see inverse()) or no power.
  BackPropagation(const BackPropagationParameters& parameters, const Execution& execution);

  /// Both rows at the parameters' rate; any scale goes in, mean power of both rows 2 comes out.
  Field<float> operator()(const Field<float>& signal) const;

  /// Samples at each end that miss input.
  std::size_t reach() const { return reach_ + band_.reach(); }
  std::size_t block() const { return block_; }
  std::size_t steps() const { return steps_; }

  /// Of one sample, both rows: every step transforms both there and back and turns them by their power, and
  /// one more linear step for the halves at the path's ends.
  Operations cost() const;
  /// The steps' part of it: all but the band filter.
  Operations steps_cost() const;
  /// Samples that one block gives.
  std::size_t hop() const { return block_ - 2 * reach_; }

 private:
  OverlapSaveFilter band_;
  PropagationPlan back_;
  double output_power_;
  std::size_t reach_, block_, steps_;  // samples, samples, split steps of the whole path
  Execution execution_;
};

/// The line for the channel under test, as planned: every span cut into `steps` loss-matched steps, its
/// losses made good, modules and extra dispersion; no noise, no PMD. `output_power` [W]: of the channel, at
/// the end.
struct NominalLine {
  PropagationPlan path;
  double output_power;
};
NominalLine nominal_line(const Line& line, int steps);

/// As a block of the chain: dsp.back_propagation_steps, along the scenario's line as planned.
Block back_propagation_block(const BlockSetting& setting);

}  // namespace cohlink
