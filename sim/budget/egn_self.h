// What a channel's interference with itself has beyond a stationary Gaussian field's, because it carries
// symbols.
//
// The variance of i sum C_mn a_m a_n conj(a_(m+n)) (pulse_overlaps.h), C_mn gathered along the line, is that
// of A. Carena et al., Opt. Express 22(13) 16335 (2014), with the pulse's own spectrum: in their order
//   (16/27) sum |C_mn|^2 + phi [(80/81) sum |C_m0|^2 + (16/81) sum |C_mm|^2] + psi (16/81) |C_00|^2,
// less phi^2 (16/81) |C_00|^2, the part in step with a_0 itself, which turns like a constant phase and which
// carrier recovery removes (derived from the same sum). The first term is the Gaussian model's but for what
// the symbol clock adds: where a pulse's spectrum reaches beyond half the symbol rate, its two edges carry
// the same data.
#pragma once

#include <vector>

#include "sim/budget/pulse_overlaps.h"
#include "sim/budget/symbol_clock.h"

namespace cohlink {

/// eta [1/W^2] behind the matched filter to add to the Gaussian model's after each span; entry k hangs on
/// spans 0 to k alone. Negative for formats quieter than Gaussian symbols.
std::vector<double> egn_self_after_each_span(const GnLight& light, const GnLine& line);

}  // namespace cohlink
