// Studies that ran in parts by themselves: what the file of a part says, and whether parts make a whole.
#pragma once

#include <string>
#include <vector>

#include "sim/signal/record/hdf5.h"
#include "sim/signal/record/hdf5_write.h"
#include "tools/study/parts/journal.h"

namespace cohlink {

/// One of `count` parts of a study, from 1.
struct Part {
  std::size_t number = 1, count = 1;
  bool whole() const { return count == 1; }
};

/// "2/8"; InputError, beginning with `origin`, else.
Part parse_part(const std::string& text, const std::string& origin = "");

/// Which of a study's tasks, known by number, are a part's: every n-th from the k-th.
inline bool is_of_part(std::size_t task, const Part& part) { return task % part.count == part.number - 1; }

/// Who a part is: of which study (everything that decides its numbers, but for the part's own number), which
/// part of it, and how it was rounded (arithmetic.h).
struct PartHead {
  std::string path;
  Part part;
  std::string identity, arithmetic;
};

/// One line for each entry, "name=fingerprint".
std::string identity_text(const RunIdentity& identity);

/// kind, format, version, git_hash, part, parts, /identity and /arithmetic.
void write_part_head(h5::NewFile& file, const std::string& kind, const PartHead& head);

/// InputError for a part that cannot be.
PartHead read_part_head(const h5::File& file, const std::string& path);

/// The kind of a file of ours; "" for others.
std::string file_kind(const h5::File& file);

/// InputError, naming files, for parts of two studies, one twice there, and missing ones.
void check_parts(const std::vector<PartHead>& parts);

/// What to say where parts were rounded differently; "" else.
std::string rounding_remark(const std::vector<PartHead>& parts);

}  // namespace cohlink
