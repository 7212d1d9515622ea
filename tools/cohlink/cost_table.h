// receive --cost: arithmetic and energy of the receiver as configured.
#pragma once

#include "rx/receiver.h"
#include "sim/signal/record/capture.h"
#include "sim/signal/scenario/scenario.h"
#include "tools/study/files/table.h"

namespace cohlink {

/// One row a block and their sum: real multiplications and additions in a symbol period (both polarisations)
/// and for each bit on the line, look-ups, and the arithmetic's energy a bit at [cost]'s figures.
Table cost_table(const Receiver& receiver, const Scenario& scenario, const Capture& capture);

}  // namespace cohlink
