// What follows the last block: final scaling, lock, quality, and the score where there is truth.
#pragma once

#include <cstddef>

#include "rx/quality/score.h"
#include "rx/stage/carried.h"
#include "sim/signal/execution/execution.h"

namespace cohlink {

/// Moves `c.signal`, one sample a symbol, to the result and fills in what is said about it. The first
/// `judged` symbols belong to the piece before.
void decide(Carried& c, ScoreParameters scoring, std::size_t judged, const Execution& execution);

}  // namespace cohlink
