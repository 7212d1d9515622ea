// Parts of studies that are asked in frames of scenarios: what a part counted is kept until 'cohlink merge'
// asks the whole of it.
#pragma once

#include <map>
#include <optional>
#include <string>
#include <vector>

#include "tools/study/parts/part_file.h"

namespace cohlink {

/// All that a study was asked, by name: its scenario ("scenario"), and what its options said.
using Question = std::map<std::string, std::string>;

/// A study that may be one part of many.
struct PartedStudy {
  std::string name;  ///< "outage"
  const Scenario& scenario;
  Question question;
  std::optional<Part> part;  ///< absent: the whole
};

/// Whose a journal is: the study's of that scenario; a part's is of everything that was asked, too.
RunIdentity journal_identity(const PartedStudy& study);

/// The part's file, sealed, whole or not at all. `records` as FrameLog has them; `arithmetic` (arithmetic.h).
void write_frames_part(const PartedStudy& study, const std::vector<std::string>& records,
                       const std::string& arithmetic, const std::string& path);

/// The study whose part this file is; "" for other files.
std::string study_of_part(const std::string& path);

struct MergedFrames {
  Question question;
  std::vector<std::string> records;
  std::string remark;  // where parts were rounded differently; "" else
  std::string path;    // of the first part

  /// InputError, naming that file, where the parts were not asked such a thing.
  const std::string& asked(const std::string& name) const;
};

/// InputError, naming the file, for what is no part of `study` or holds what is no record, for parts of two
/// studies, missing and doubled ones.
MergedFrames merge_frames(const std::string& study, const std::vector<std::string>& paths);

}  // namespace cohlink
