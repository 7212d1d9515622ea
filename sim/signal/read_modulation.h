// The format of [signal].
#pragma once

#include "sim/signal/constellation.h"
#include "sim/signal/scenario/scenario.h"

namespace cohlink {

/// signal.modulation, shaped as signal.entropy_bits and signal.matcher_block have it. InputError for a format
/// that cannot be shaped so.
Modulation read_modulation(const Scenario& scenario);

/// Rejects what the rest of [signal] has that shaped symbols cannot be drawn with: a sequence of fair bits, a
/// frame whose payload is no whole number of the matcher's blocks.
void check_shaped_data(const Scenario& scenario);

}  // namespace cohlink
