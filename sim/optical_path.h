// The optical path as one plan: the line, then the linear optics before the receiver, then noise loading;
// and what its light levels add up to.
#pragma once

#include <optional>

#include "sim/link_setup.h"
#include "sim/signal/propagation/plan.h"

namespace cohlink {

/// Spans and amplifiers alone; no element back to back. `birefringence` addresses the streams of the random
/// fibre.
PropagationPlan plan_spans(const LinkSetup& setup, const RandomStreams& birefringence);

/// What stands between `line` and the receiver: extra dispersion, DGD, PDL, polarisation rotation, noise
/// loading ("noise-loading"), filter.
PropagationPlan plan_optics(const LinkSetup& setup, const PropagationPlan& line);

/// One plan after the other.
PropagationPlan joined(PropagationPlan first, const PropagationPlan& then);

/// The spans, then the optics.
PropagationPlan plan_optical_path(const LinkSetup& setup, const RandomStreams& birefringence);

/// How much later than the centre of the simulated band light at `frequency` [Hz, FFT sign] arrives [s]:
/// minus the slope of the phase b2 L w^2/2 - b3 L w^3/6.
double group_delay(const PropagationPlan& plan, double frequency);

/// Light levels along a plan, by walking its gains: no waveform needed. Signal and noise density multiply by
/// each gain and every amplifier adds its ASE; OSNR as R.-J. Essiambre et al., J. Lightwave Technol. 28(4)
/// 662 (2010) define it.
struct LightLevels {
  double peak_power = 0.0;    // W, the highest mean signal power at any place
  double signal_power = 0.0;  // W, both polarisations, at the end
  double noise_psd = 0.0;     // W/Hz per polarisation, at the end
  /// Linear OSNR in 12.5 GHz: signal of both polarisations over noise of both; absent without noise.
  std::optional<double> osnr() const;
};

/// The channel under test as it enters a plan, and the light it shares amplifiers of fixed output power with.
struct LaunchedLight {
  double signal_power = 0.0;    // W, both polarisations
  double noise_psd = 0.0;       // W/Hz per polarisation
  double total_ratio = 1.0;     // power of all channels over signal_power
  double simulated_band = 0.0;  // Hz, over which noise counts as output power
};

/// Levels of the channel under test. A PDL element counts with its mean transmission.
LightLevels light_levels(const PropagationPlan& plan, const LaunchedLight& launched);
inline LightLevels light_levels(const PropagationPlan& plan, double launch_power,
                                double launch_noise_psd = 0.0) {
  return light_levels(plan, LaunchedLight{launch_power, launch_noise_psd, 1.0, 0.0});
}

/// Highest power in the fibre at any place [W], all channels: for the light-hazard caution.
double peak_fibre_power(const LinkSetup& setup, const PropagationPlan& plan);
/// Of a frame of the scenario; throws InputError as link_setup does.
double peak_fibre_power(const Scenario& scenario);

/// What the setup's transmitters launch, `noise_psd` [W/Hz] of it noise per polarisation.
LaunchedLight launched_light(const LinkSetup& setup, double noise_psd = 0.0);

}  // namespace cohlink
