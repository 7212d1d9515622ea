// What the interference by the neighbours' intensities has beyond a stationary Gaussian field's, because
// channels carry symbols.
//
// A neighbour's power at frequency u modulates the phase of the channel under test, gathered along the line
// under their walk-off: the frequency f of the channel sees one at distance d pass by as
//   A(u, f) = integral over z of s(z) exp(4 pi^2 i b(z) u (d - f)) h(2 pi b(z) u),
// h the correlation of the neighbour's pulse, which spreads by dispersion as well. Symbols of moment phi add
//   phi (80/81) integral over u of  integral over f of G(f) G(f + u) |A(u, f)|^2 :
// the term X1 of A. Carena et al., Opt. Express 22(13) 16335 (2014), which is what R. Dar et al., Opt.
// Express 21(22) 25685 (2013) correct. The symbol clock adds products of A at the two edges of the spectrum,
// as long as walk-off does not part them; so it does to Gaussian symbols, for either channel's edges.
// Four-wave mixing with and among neighbours stays that of a stationary Gaussian field.
#pragma once

#include <vector>

#include "sim/budget/dispersion_map.h"

namespace cohlink {

/// eta [1/W^2] behind the matched filter to add to the Gaussian model's after each span, all neighbours with
/// their own powers, pulses and moments; entry k hangs on spans 0 to k alone.
std::vector<double> egn_cross_after_each_span(const GnLight& light, const GnLine& line);

}  // namespace cohlink
