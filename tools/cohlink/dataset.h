// What the command `merge` asks of data sets.
#pragma once

#include "tools/cohlink/command_line.h"

namespace cohlink {

/// Joins the folders given to the folder -o and labels the whole; its exit status.
int merge_datasets(const CommandLine& line);

}  // namespace cohlink
