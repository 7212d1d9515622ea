// Margins that ran in parts by themselves, and the whole made from them.
#pragma once

#include <string>
#include <vector>

#include "tools/study/parts/part_file.h"
#include "tools/study/search/margins.h"

namespace cohlink {

/// Everything that decides the numbers of margins.
RunIdentity identity_of(const MarginsOrder& order);

/// The file of one part: the order and the lines of its tasks. `criterion`: as it was given.
void write_margins_part(const MarginsOrder& order, const std::string& criterion,
                        const std::vector<std::string>& lines, const PartHead& head);

/// Whether a file is such a part.
bool is_margins_part(const std::string& path);

/// The order, and the lines of all tasks, from all parts in any order. InputError, naming files, for one that
/// is no part, twice there, missing, or of another study; see check_lines for what they hold.
struct MergedMargins {
  MarginsOrder order;
  std::vector<std::string> lines;  // by task
  std::string remark;              // where parts were rounded differently; "" else
};
MergedMargins merge_margins(const std::vector<std::string>& paths);

/// InputError where the lines are not those of a plan's tasks.
void check_lines(const MarginsPlan& plan, const MergedMargins& merged);

}  // namespace cohlink
