// Light levels along a plan, by walking its gains and filters: no waveform needed. Truth, budget, noise
// loading and the caution about light all read them here. OSNR as R.-J. Essiambre et al., J. Lightwave
// Technol. 28(4) 662 (2010) define it.
#pragma once

#include <memory>
#include <optional>

#include "sim/signal/line/line.h"
#include "sim/signal/propagation/plan.h"

namespace cohlink {

/// What enters a plan. A channel's power spectral density is the square of its pulse's spectrum.
struct LaunchedLight {
  Comb comb;
  double noise_psd = 0.0;       // W/Hz per polarisation, white over the simulated band
  double simulated_band = 0.0;  // Hz, centred on 0, over which all noise is white
};

/// What there is at the end of a plan.
struct LightLevels {
  double peak_power = 0.0;    // W, the highest mean power of all channels at any place
  double signal_power = 0.0;  // W, both polarisations, of the channel under test
  double total_power = 0.0;   // W, both polarisations, of all channels and of the noise in the simulated band
  double noise_psd = 0.0;     // W/Hz per polarisation, mean over 12.5 GHz about the channel under test
  /// Power of the noise in the simulated band, both polarisations, all channels taken away [W].
  double noise_power = 0.0;
  /// Linear OSNR in 12.5 GHz: signal of both polarisations over noise of both; absent without noise.
  std::optional<double> osnr() const;
};

/// A channel of the comb where the walk has come to.
struct ChannelLevel {
  double power = 0.0;      // W, both polarisations
  double noise_psd = 0.0;  // W/Hz per polarisation, mean over 12.5 GHz about the channel
};

/// Levels of the channel under test. Carried along is, cell by cell of a frequency grid, the power of the
/// channels and the density of the noise: a filter weighs each cell by its power transmission, and an
/// amplifier of fixed output power takes its gain from all that is left in the simulated band, as it does in
/// the waveform. The grid resolves the edges of every filter in the plan to a sixth of their blur, so that
/// powers are right within 0.01 dB, and every channel's band to an eighth where gain hangs on frequency.
/// Channels have their launched spectrum throughout: what the Kerr effect or the transmitter's flaws do to it
/// is left out. A PDL element counts with its mean transmission.
LightLevels light_levels(const PropagationPlan& plan, const LaunchedLight& launched);

/// The same element by element.
class LightWalk {
 public:
  /// `plan`: whose elements will be passed; the frequency grid follows from its filters.
  LightWalk(const PropagationPlan& plan, const LaunchedLight& launched);
  ~LightWalk();
  LightWalk(LightWalk&&) noexcept;
  void pass(const PlanElement& element);
  /// Here; peak_power anywhere so far.
  LightLevels levels() const;
  /// Of every channel of the comb, here.
  std::vector<ChannelLevel> channels() const;

 private:
  struct Spectrum;
  std::unique_ptr<Spectrum> light_;
  double peak_power_;
};

}  // namespace cohlink
