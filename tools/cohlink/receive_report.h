// What `cohlink receive` says about a capture.
#pragma once

#include <vector>

#include "rx/receiver.h"
#include "rx/recording/long_capture.h"
#include "sim/signal/record/capture.h"
#include "sim/signal/scenario/scenario.h"
#include "tools/study/files/table.h"

namespace cohlink {

struct PieceCount {
  std::size_t all = 0, lost = 0, joined = 0;
};
PieceCount count_pieces(const std::vector<PieceResult>& pieces);

/// A capture and what the receiver that a scenario describes made of it, whole or in pieces.
struct Received {
  const Capture& capture;
  const Scenario& scenario;
  const ReceiverResult& result;
  const std::vector<PieceResult>& pieces;
};

/// BER, verdict, SNR, information, bit rates, what was estimated (beside the truth where there is truth),
/// known data used, event counters, and how many of a long recording's `pieces` locked and were joined. No
/// BER without lock. No two facts have one name (std::logic_error).
std::vector<Fact> receive_report(const Received& received);

}  // namespace cohlink
