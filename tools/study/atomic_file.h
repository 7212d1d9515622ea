// Text files that are there whole or not at all.
#pragma once

#include <string>

namespace cohlink {

/// Writes beside `path`, then renames. RunError when the file system refuses; nothing is left behind then.
void write_atomically(const std::string& path, const std::string& content);

}  // namespace cohlink
