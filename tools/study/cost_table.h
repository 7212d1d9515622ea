// receive --cost: arithmetic and energy of the receiver as configured.
#pragma once

#include <string>

#include "rx/receiver.h"
#include "sim/signal/record/capture.h"
#include "sim/signal/scenario/scenario.h"
#include "tools/study/files/table.h"

namespace cohlink {

/// pJ of one operation at the scenario's node and word length.
struct OperationEnergies {
  double multiplication, addition;
};

/// [cost]'s figures, which are for 8-bit words, at its word length: multipliers grow with its square, adders
/// with it.
OperationEnergies operation_energies(const Scenario& scenario);

/// What the energies rest on, in one line.
std::string cost_basis(const Scenario& scenario);

/// One row a block and their sum: real multiplications and additions in a symbol period (both polarisations)
/// and for each bit on the line, look-ups, and the arithmetic's energy a bit at [cost]'s figures.
Table cost_table(const Receiver& receiver, const Scenario& scenario, const Capture& capture);

}  // namespace cohlink
