// Laser phase: a Wiener process, the phase of a laser with white frequency noise and a Lorentzian line.
#pragma once

#include <cstddef>
#include <vector>

#include "sim/signal/random.h"

namespace cohlink {

/// `samples` values of phase [rad] at `sample_rate` [Hz]. The increment between samples is Gaussian with
/// variance 2 pi linewidth / sample_rate, linewidth the full width at half maximum [Hz] (C. H. Henry,
/// IEEE J. Quantum Electron. 18(2) 259, 1982). The start is uniform over a turn; a linewidth of 0 gives a
/// constant 0, so that an ideal laser needs no tracking.
std::vector<double> laser_phase(std::size_t samples, double sample_rate, double linewidth,
                                RandomStream random);

}  // namespace cohlink
