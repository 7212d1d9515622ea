// First taps of the equaliser from known symbols, by least squares.
#pragma once

#include <cstddef>

#include "rx/blocks/butterfly.h"
#include "sim/signal/frame_layout.h"

namespace cohlink {

/// Taps that bring both outputs closest to the known symbols, each turned by the carrier's phase, which both
/// polarisations share: output X then is the transmitter's X. The phase is unknown and wanders, so it starts
/// without: correlations of inputs and known symbols over short stretches point all the same way but for
/// their phase; their principal direction over the inputs' covariance is a Wiener filter. What that gives
/// shows the phase (phase_track.h), with which least squares are solved, three times over. Needs the offset
/// removed to within about 1e-4 cycles a symbol. `known`: at most some thousand are used; [first, last):
/// where the inputs' covariance is measured. S. Haykin, Adaptive Filter Theory, chapters on Wiener filters
/// and least squares. Returns the mean square of what is left, of an output, over unknowns that the known
/// symbols are more than; infinite where they are not.
double least_squares_start(const ButterflyInput& in, const KnownSymbols& known, std::size_t first,
                           std::size_t last, Butterfly& filters);

}  // namespace cohlink
