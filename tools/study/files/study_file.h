// The result file of a study (limit, outage, qualify): its tables and facts, with where they come from.
#pragma once

#include <string>
#include <utility>
#include <vector>

#include "sim/signal/record/hdf5.h"
#include "sim/signal/record/hdf5_write.h"
#include "sim/signal/scenario/scenario.h"
#include "tools/study/files/table.h"

namespace cohlink {

struct StudyFile {
  std::string kind;                // "limit", "outage", "qualify"
  std::vector<NamedTable> tables;  // "probes"
  std::vector<Fact> facts;
};

/// HDF5: one group a table with one data set a column (numbers, counts or texts; nothing = NaN or ""),
/// their order in the group's attribute "columns"; facts as attributes of /facts; /scenario and provenance as
/// in a curve file, kind "cohlink KIND". Throws RunError when the file system refuses.
void write_study(const StudyFile& study, const Scenario& scenario, const std::string& path);

/// One table into a group of a file that is being written, and back.
void write_table(h5::NewFile& file, const std::string& group, const Table& table);
Table read_table(const h5::File& file, const std::string& group);

/// Reads it back, for reports. Facts come back with name, label and text alone. InputError where the file is
/// no study, or columns of a table differ in length.
StudyFile read_study(const h5::File& file);

/// What every result file says of itself: kind, format, version, git_hash, seed, /scenario.
void write_provenance(h5::NewFile& file, const std::string& kind, const Scenario& scenario);

}  // namespace cohlink
