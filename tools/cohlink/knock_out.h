// receive --knock-out: what each block of the chain is worth on this capture.
#pragma once

#include "sim/signal/execution/execution.h"
#include "sim/signal/record/capture.h"
#include "sim/signal/scenario/scenario.h"
#include "tools/study/files/table.h"

namespace cohlink {

/// One row for the whole chain and one for each block left out: BER with its interval, SNR, what they lost,
/// and why a variant was refused or found no lock. Columns: without, ber, ber_low, ber_high, snr_db,
/// snr_loss_db, outcome.
Table knock_out_table(const Capture& capture, const Scenario& scenario, const Execution& execution);

}  // namespace cohlink
