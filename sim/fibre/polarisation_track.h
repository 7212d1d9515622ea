// Polarisation that does not turn steadily: a random walk on the Poincare sphere, and a burst.
#pragma once

#include "sim/signal/line/line.h"
#include "sim/signal/propagation/plan.h"
#include "sim/signal/random.h"

namespace cohlink {

/// Isotropic diffusion over `duration` [s], at rest at the start: in a time t the turn about any axis of
/// Stokes space has the variance rate t, and the autocorrelation of any state is exp(-rate t). Steps turn by
/// normal vectors of at most 0.1 rad rms about each axis, with straight lines between. Czegledi, Karlsson,
/// Agrell and Johannisson, Sci. Rep. 6, 21217 (2016), from memory, whose polarisation linewidth is
/// rate/(8 pi).
PolarisationTrack polarisation_walk(double rate, double duration, RandomStream random);

/// A burst in the middle of a frame of `duration` [s], from its first sample on.
PolarisationTrack polarisation_track(const PolarisationBurst& burst, double duration);

}  // namespace cohlink
