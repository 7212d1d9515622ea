// The lanes' electrical offset, taken from where decisions tell it from the signal.
#pragma once

#include <array>
#include <cstddef>
#include <vector>

#include "sim/signal/constellation.h"
#include "sim/signal/field.h"

namespace cohlink {

/// By how much a chain has turned its symbols back: the frequency it removed, and its carrier phase.
struct CarrierRemoved {
  double cycles_per_symbol = 0.0;
  std::array<std::vector<double>, 2> phase_rad;  // a value a symbol; empty: none
};

/// Over one frame a lane's mean is as much the signal's own as an offset: removing it costs 1/N of the signal
/// in N symbols, and so does not removing an offset that is no larger. What is left of an offset, or was
/// taken off the signal for one, turns with the removed carrier, backwards, and the data's share is gone from
/// the distances to decisions: found there, it costs 1/N of the noise. It is removed where it is nine times
/// what noise alone makes (once in 8000 rows). `symbols`: on the constellation; [first, last) are judged by.
void remove_residual_offset(Field<float>& symbols, std::size_t first, std::size_t last, Modulation modulation,
                            const CarrierRemoved& carrier);

}  // namespace cohlink
