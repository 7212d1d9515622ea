// The result file: what the receiver made of one capture, for pictures and for other programs.
#pragma once

#include <string>
#include <vector>

#include "tools/cohlink/receive_report.h"
#include "tools/study/files/table.h"

namespace cohlink {

/// Symbols, stages, equaliser taps, the pieces of a long recording, warnings, the resolved scenario, and
/// every fact as an attribute of the root. Layout: docs/capture-format.md. RunError when it cannot be
/// written.
void write_result(const Received& received, const std::vector<Fact>& facts, const std::string& path);

}  // namespace cohlink
