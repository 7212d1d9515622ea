// Parts of studies that are asked in frames of scenarios: what a part counted is kept until 'cohlink merge'
// asks the whole of it.
#pragma once

#include <map>
#include <string>
#include <vector>

#include "tools/study/parts/part_file.h"

namespace cohlink {

/// All that a study was asked, by name: its scenario ("scenario"), and what its options said.
using Question = std::map<std::string, std::string>;

/// Sealed, whole or not at all. `study`: "outage"; `records` as FrameLog has them.
void write_frames_part(const std::string& study, const Question& question,
                       const std::vector<std::string>& records, const PartHead& head);

/// The study whose part this file is; "" for other files.
std::string study_of_part(const std::string& path);

struct MergedFrames {
  Question question;
  std::vector<std::string> records;
  std::string remark;  // where parts were rounded differently; "" else
};

/// InputError, naming the file, for what is no part of `study`, for parts of two, missing and doubled ones.
MergedFrames merge_frames(const std::string& study, const std::vector<std::string>& paths);

/// The identity of a study's parts: everything that was asked, and how many there are.
RunIdentity identity_of_parts(const std::string& study, const Scenario& scenario, const Question& question,
                              const Part& part);

}  // namespace cohlink
