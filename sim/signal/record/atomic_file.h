// Files that are there whole or not at all.
#pragma once

#include <mutex>
#include <shared_mutex>
#include <string>
#include <string_view>

namespace cohlink {

/// The file that writing `path` comes to: links are followed, so that they stay links. InputError when
/// something is there that is no regular file: a folder, a pipe or a device must not be replaced.
std::string output_target(const std::string& path);

/// Writes TARGET.part beside the target of `path`, then renames it; content and name are on the disk when
/// this returns. RunError when the file system refuses; nothing is left behind then. A TARGET.part that a
/// killed run left is taken over; of two runs that write one target, one waits.
void write_atomically(const std::string& path, std::string_view content);

/// Waits until no thread is inside write_atomically, and lets none begin while the lock lives: for whoever
/// ends the process without waiting for its threads.
std::unique_lock<std::shared_mutex> no_file_being_written();

}  // namespace cohlink
