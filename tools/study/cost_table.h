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

/// What a receiver spends on a bit of the line.
struct ReceiverCost {
  double multiplications = 0, additions = 0;  // real ones
  double arithmetic_pj = 0,
         converters_pj = 0;  // by [cost]; the converters': 2^adc.bits steps a sample and lane

  double operations() const { return multiplications + additions; }
  double pj() const { return arithmetic_pj + converters_pj; }
};

/// NaN for symbols without bits. `sample_rate` [Hz] of each lane, `symbols` in a capture.
ReceiverCost receiver_cost(const Receiver& receiver, const Scenario& scenario, double sample_rate,
                           std::size_t symbols);

/// One row a block, one for the decoder where the scenario has its code decoded, and their sum: real
/// multiplications and additions in a symbol period (both polarisations) and for each bit on the line,
/// look-ups, and the arithmetic's energy a bit at [cost]'s figures.
Table cost_table(const Receiver& receiver, const Scenario& scenario, const Capture& capture);

}  // namespace cohlink
