#include "tools/study/parts/frames_part.h"

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

}  // namespace

void write_frames_part(const std::string& study, const Question& question,
                       const std::vector<std::string>& records, const PartHead& head) {
  h5::File::create(head.path, [&](h5::File& file) {
    write_part_head(file, kind_of(study), head);
    for (const auto& [name, text] : question) file.write_text("/question/" + name, text);
    std::vector<std::string> names;
    for (const auto& [name, text] : question) names.push_back(name);
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

MergedFrames merge_frames(const std::string& study, const std::vector<std::string>& paths) {
  MergedFrames merged;
  std::vector<PartHead> heads;
  for (const std::string& path : paths) {
    const h5::File file =
        h5::File::open_sealed(path, "a part that was changed cannot be merged; compute it again");
    if (file_kind(file) != kind_of(study)) throw InputError(path, "is not a part of " + study);
    heads.push_back(read_part_head(file, path));
    if (heads.size() == 1)
      for (const std::string& name : file.read_texts("/asked"))
        merged.question[name] = file.read_text("/question/" + name);
    for (std::string& record : lines_of(file.read_text("/records")))
      merged.records.push_back(std::move(record));
  }
  check_parts(heads);
  merged.remark = rounding_remark(heads);
  return merged;
}

RunIdentity identity_of_parts(const std::string& study, const Scenario& scenario, const Question& question,
                              const Part& part) {
  RunIdentity identity = study_identity(study, scenario);
  for (const auto& [name, text] : question)
    if (name != "scenario") identity.emplace_back(name, text);
  identity.emplace_back("number of parts", std::to_string(part.count));
  return identity;
}

}  // namespace cohlink
