// Nonlinear interference of a set-up's line, flat or not.
//
// Where gain hangs on frequency, four-wave mixing f1 + f2 - f3 into f goes with the root of the powers'
// profiles r(f1) r(f2) r(f3)/r(f). Of gains whose logarithm is linear in frequency, which Raman transfer and
// tilts are, and of any gain where f1 is near f and f2 near f3, this is r(f3): a neighbour's interference
// follows the neighbour's own profile along the line, the channel's with itself its own. D. Semrau, R. I.
// Killey and P. Bayvel, J. Lightwave Technol. 36(14) 3046 (2018) (from memory) take the same profiles into
// the Gaussian-noise model. Seen against split steps of three channels: within 0.1 dB where a channel is
// tilted by 1 dB within its own band, 0.3 dB where by 4.
#pragma once

#include <vector>

#include "sim/budget/interference.h"
#include "sim/budget/power_walk.h"
#include "sim/signal/line/wide_band.h"

namespace cohlink {

/// After each span. Powers of the channel under test into the fibres are those of `levels`, the noise in
/// amplifiers of fixed output counted; those of others stand to it as without noise. In a flat line every
/// channel has the profile of the one under test. Elsewhere neighbours are taken in up to eight groups on the
/// grid, each with the profile and the mean dispersion of its middle; what neighbours of different groups mix
/// among themselves goes with the profile of the channel under test. Closed forms always are those of the
/// latter.
std::vector<Interference> line_interference(const LinkSetup& setup, const std::vector<SpanLevel>& levels,
                                            InterferenceMemo& memo);

/// The line as interference with one channel of the comb (by its index) sees it: every fibre in four pieces,
/// exponential with the fibre's ends and integral, powers over that at launch, the dispersion of the middle
/// between that channel and the one under test. For a line that is not flat.
GnLine channel_profile(const Line& line, const CombWalk& walk, std::size_t channel);

}  // namespace cohlink
