// Parts of a sweep that ran by themselves, and the whole made from them.
#pragma once

#include <string>
#include <vector>

#include "tools/study/run/sweep_run.h"

namespace cohlink {

/// The file of one part, for `merge_parts`.
void write_part(const SweepOrder& order, const SweepRecords& records, const Part& part,
                const std::string& path);

/// The whole from all of its parts, in any order. InputError, naming files, for one that is no part, twice
/// there, missing, or of another sweep.
struct Merged {
  SweepOrder order;
  SweepRecords records;
  std::string remark;  // where parts were rounded differently; "" else
};
Merged merge_parts(const std::vector<std::string>& paths);

}  // namespace cohlink
