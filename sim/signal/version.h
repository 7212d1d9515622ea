// Which build made a file.
#pragma once

namespace cohlink {

struct Version {
  const char* number;    // "0.2.0"
  const char* git_hash;  // abbreviated, "-dirty" when the tree had changes, "unknown" outside git
};

Version version();

}  // namespace cohlink
