#include "tools/study/parts/frames_part.h"

#include <stdexcept>

#include "sim/signal/record/hdf5_write.h"
#include "sim/signal/scenario/errors.h"
#include "tools/study/run/record.h"

namespace cohlink {
namespace {

std::string kind_of(const std::string& study) { return "cohlink " + study + " part"; }

std::string joined(const std::vector<std::string>& lines) {
  std::string text;
  for (const std::string& line : lines) text += line + "\n";
  return text;
}

/// Everything that was asked, and how many parts there are.
RunIdentity identity_of_parts(const PartedStudy& study) {
  RunIdentity identity = study_identity(study.name, study.scenario);
  for (const auto& [name, text] : study.question)
    if (name != "scenario") identity.emplace_back(name, text);
  identity.emplace_back("number of parts", std::to_string(study.part->count));
  return identity;
}

void check_record(const std::string& record, const std::string& path) {
  try {
    const auto frame = record.find(' ');
    std::string_view rest = std::string_view(record).substr(frame == std::string::npos ? 0 : frame + 1);
    leading_number(rest);
    frame_result_from(rest);
  } catch (const std::invalid_argument&) {
    throw InputError(path, "data set /records has a line that is no record");
  }
}

}  // namespace

RunIdentity journal_identity(const PartedStudy& study) {
  if (!study.part) return study_identity(study.name, study.scenario);
  RunIdentity identity = identity_of_parts(study);
  identity.emplace_back("--part", std::to_string(study.part->number));
  return identity;
}

void write_frames_part(const PartedStudy& study, const std::vector<std::string>& records,
                       const std::string& arithmetic, const std::string& path) {
  const PartHead head{path, *study.part, identity_text(identity_of_parts(study)), arithmetic};
  h5::create(path, [&](h5::NewFile& file) {
    write_part_head(file, kind_of(study.name), head);
    std::vector<std::string> names;
    for (const auto& [name, text] : study.question) {
      file.write_text("/question/" + name, text);
      names.push_back(name);
    }
    file.write_texts("/asked", names);
    file.write_text("/records", joined(records));
  });
}

std::string study_of_part(const std::string& path) {
  const std::string kind = file_kind(h5::File::open(path));
  for (const char* study : {"outage", "qualify"})
    if (kind == kind_of(study)) return study;
  return "";
}

const std::string& MergedFrames::asked(const std::string& name) const {
  const auto found = question.find(name);
  if (found == question.end()) throw InputError(path, "has no data set /question/" + name);
  return found->second;
}

MergedFrames merge_frames(const std::string& study, const std::vector<std::string>& paths) {
  MergedFrames merged;
  merged.path = paths.front();
  std::vector<PartHead> heads;
  for (const std::string& path : paths) {
    const h5::File file =
        h5::File::open_sealed(path, "a part that was changed cannot be merged; compute it again");
    if (file_kind(file) != kind_of(study)) throw InputError(path, "is not a part of " + study);
    heads.push_back(read_part_head(file, path));
    if (heads.size() == 1)
      for (const std::string& name : file.read_texts("/asked"))
        merged.question[name] = file.read_text("/question/" + name);
    for (std::string& record : lines_of(file.read_text("/records"))) {
      check_record(record, path);
      merged.records.push_back(std::move(record));
    }
  }
  check_parts(heads);
  merged.remark = rounding_remark(heads);
  return merged;
}

}  // namespace cohlink
