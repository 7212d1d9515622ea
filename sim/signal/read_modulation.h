// The format of [signal].
#pragma once

#include "sim/signal/constellation.h"
#include "sim/signal/scenario/scenario.h"

namespace cohlink {

/// signal.modulation, shaped as signal.entropy_bits and signal.matcher_block have it. InputError for a format
/// that cannot be shaped so.
Modulation read_modulation(const Scenario& scenario);

}  // namespace cohlink
