// Light levels along a plan, by walking its gains and filters: no waveform needed. Truth, budget, noise
// loading and the caution about light all read them here. OSNR as R.-J. Essiambre et al., J. Lightwave
// Technol. 28(4) 662 (2010) define it.
#pragma once

#include <optional>
#include <vector>

#include "sim/signal/propagation/plan.h"
#include "sim/signal/pulse.h"

namespace cohlink {

struct LaunchedChannel {
  double frequency = 0.0;  // Hz, FFT sign, in the simulated band
  double power = 1e-3;     // W, both polarisations
  PulseShape pulse;        // its power spectral density is the square of this pulse's spectrum
};

/// What enters a plan.
struct LaunchedLight {
  std::vector<LaunchedChannel> channels;  // the one under test first; at least one
  double noise_psd = 0.0;                 // W/Hz per polarisation, white over the simulated band
  double simulated_band = 0.0;            // Hz, centred on 0, over which all noise is white
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

/// Levels of the channel under test. Carried along is, cell by cell of a frequency grid, the power of the
/// channels and the density of the noise: a filter weighs each cell by its power transmission, and an
/// amplifier of fixed output power takes its gain from all that is left in the simulated band, as it does in
/// the waveform. The grid resolves the edges of every filter in the plan to a sixth of their blur, so that
/// powers are right within 0.01 dB. Channels have their launched spectrum throughout: what the Kerr effect or
/// the transmitter's flaws do to it is left out. A PDL element counts with its mean transmission.
LightLevels light_levels(const PropagationPlan& plan, const LaunchedLight& launched);

}  // namespace cohlink
