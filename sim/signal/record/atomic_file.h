// Files that are there whole or not at all.
#pragma once

#include <string>
#include <string_view>

namespace cohlink {

/// The file that writing `path` comes to: links are followed, so that they stay links. InputError when
/// something is there that is no regular file: a folder, a pipe or a device must not be replaced.
std::string output_target(const std::string& path);

/// Writes beside the target of `path`, then renames. RunError when the file system refuses; nothing is left
/// behind then.
void write_atomically(const std::string& path, std::string_view content);

}  // namespace cohlink
