// What the fuzzer drives: one reader of input from outside each.
#pragma once

#include <cstdint>
#include <string>
#include <string_view>
#include <vector>

namespace cohlink::fuzz {

/// One input of a reader. Runs it to its end; InputError and RunError are its two ways to refuse (exit
/// statuses 2 and 3). Whatever else leaves it is a failure, as are a crash, a hang and memory without bound.
using Run = void (*)(const std::string& input);

struct Target {
  std::string name;
  Run run;
  std::vector<std::string> seeds;  // what the reader takes
  std::vector<std::string> words;  // that mean something to it
};

/// Ends the names of targets that are not among "all": a damaged file is first tried in a process of its own.
constexpr std::string_view kSlow = "-bits";

/// Of texts: scenario, options, journal, record, trace, sigmf, csv, loss-table.
std::vector<Target> text_targets();
/// Of HDF5 files: capture, result, curve, study, part. An input is a list of changes to the objects of a file
/// that is whole (hdf5_changes.h), or of bits to turn in one without a seal.
std::vector<Target> file_targets();

/// A folder in memory for the files that readers want, one for this process; it ends with it.
const std::string& scratch();

/// Writes a file of that folder and gives its path.
std::string scratch_file(const std::string& name, const std::string& content);

}  // namespace cohlink::fuzz
