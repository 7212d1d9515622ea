// The optical path as one plan: the line, then the linear optics before the receiver, then noise loading;
// and the light that enters it.
#pragma once

#include "sim/link_setup.h"
#include "sim/signal/line/light_levels.h"
#include "sim/signal/propagation/plan.h"

namespace cohlink {

/// Spans and amplifiers alone; no element back to back. `birefringence` addresses the streams of the random
/// fibre.
PropagationPlan plan_spans(const LinkSetup& setup, const RandomStreams& birefringence);

/// What stands between `line` and the receiver: extra dispersion, DGD, PDL, turning polarisation, noise
/// loading ("noise-loading"), filter. `streams` of the frame, of which a walk of the polarisation is drawn.
PropagationPlan plan_optics(const LinkSetup& setup, const PropagationPlan& line,
                            const RandomStreams& streams);

/// One plan after the other.
PropagationPlan joined(PropagationPlan first, const PropagationPlan& then);

/// The spans, then the optics, all random parts drawn at one address.
PropagationPlan plan_optical_path(const LinkSetup& setup, const RandomStreams& streams);

/// How much later than the centre of the simulated band light at `frequency` [Hz, FFT sign] arrives [s]:
/// minus the slope of the phase b2 L w^2/2 - b3 L w^3/6.
double group_delay(const PropagationPlan& plan, double frequency);

/// Highest power in the fibre at any place [W], all channels: for the light-hazard caution.
double peak_fibre_power(const LinkSetup& setup, const PropagationPlan& plan);
/// Of a frame of the scenario; throws InputError as link_setup does.
double peak_fibre_power(const Scenario& scenario);

/// Light at the end of the path, before the receiver's own attenuator and pre-amplifier: the nominal line's,
/// its ASE counted, PMD and the noise of the launch amplifier left out.
LightLevels arriving_light(const LinkSetup& setup);

/// Power into the receiver [W], behind its attenuator. Throws InputError as link_setup does.
double received_power(const Scenario& scenario);

/// What the setup's transmitters launch, `noise_psd` [W/Hz] of it noise per polarisation.
LaunchedLight launched_light(const LinkSetup& setup, double noise_psd = 0.0);

}  // namespace cohlink
