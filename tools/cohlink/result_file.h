// The result file: what the receiver made of one capture, for pictures and for other programs.
#pragma once

#include <string>
#include <vector>

#include "rx/receiver.h"
#include "rx/recording/long_capture.h"
#include "sim/signal/record/capture.h"
#include "sim/signal/scenario/scenario.h"
#include "tools/study/files/table.h"

namespace cohlink {

/// Symbols, stages, equaliser taps, the pieces of a long recording, warnings, the resolved scenario, and
/// every fact as an attribute of the root. Layout: docs/capture-format.md. RunError when it cannot be
/// written.
void write_result(const Capture& capture, const Scenario& scenario, const ReceiverResult& result,
                  const std::vector<PieceResult>& pieces, const std::vector<Fact>& facts,
                  const std::string& path);

}  // namespace cohlink
