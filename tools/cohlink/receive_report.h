// What `cohlink receive` says about a capture.
#pragma once

#include <vector>

#include "rx/receiver.h"
#include "sim/signal/capture.h"
#include "sim/signal/scenario.h"
#include "tools/study/table.h"

namespace cohlink {

/// BER, verdict, SNR, information, bit rates, what was estimated (beside the truth where there is truth),
/// known data used, event counters. No BER without lock.
std::vector<Fact> receive_report(const Capture& capture, const Scenario& scenario,
                                 const ReceiverResult& result);

}  // namespace cohlink
