// Parts of studies: what --part asks for, and what 'cohlink merge' does with those of other studies than
// sweeps.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "tools/cohlink/command_line.h"
#include "tools/study/parts/part_file.h"

namespace cohlink {

/// What --part says; absent: the whole. InputError where it says nonsense, has no -o beside it, or one of
/// the options `not_with`, which a part has nothing to answer to.
std::optional<Part> asked_part(const CommandLine& line, const std::vector<std::string>& not_with = {});

/// Says that a part is written, and what becomes of it.
void note_part(const CommonOptions& options, const Part& part);

/// What the whole command would have printed and written; its exit status.
int merge_margins_parts(const CommandLine& line);
int merge_outage_parts(const CommandLine& line);
int merge_qualify_parts(const CommandLine& line);

}  // namespace cohlink
