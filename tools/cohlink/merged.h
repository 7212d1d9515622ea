// What 'cohlink merge' does with parts of studies other than sweeps.
#pragma once

#include "tools/cohlink/command_line.h"

namespace cohlink {

/// What the whole command would have printed and written; its exit status.
int merge_margins_parts(const CommandLine& line);
int merge_outage_parts(const CommandLine& line);
int merge_qualify_parts(const CommandLine& line);

}  // namespace cohlink
