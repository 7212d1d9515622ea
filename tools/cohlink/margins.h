// The parts of margins, joined by cohlink merge.
#pragma once

#include "tools/cohlink/command_line.h"

namespace cohlink {

/// What the whole command would have printed and written; its exit status.
int merge_margins_parts(const CommandLine& line);

}  // namespace cohlink
