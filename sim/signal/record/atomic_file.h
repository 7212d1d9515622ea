// Files that are there whole or not at all.
#pragma once

#include <mutex>
#include <shared_mutex>
#include <string>
#include <string_view>
#include <vector>

namespace cohlink {

/// The file that writing `path` comes to: links are followed, so that they stay links. InputError when
/// something is there that is no regular file: a folder, a pipe or a device must not be replaced.
std::string output_target(const std::string& path);

/// When a written file is on the disk, and no loss of power can take it: as the call returns, or when it is
/// settled. To wait for the disk takes longer than to write a short file.
enum class OnDisk { kNow, kLater };

/// Writes TARGET.part beside the target of `path`, then renames it. RunError when the file system refuses;
/// nothing is left behind then. A TARGET.part that a killed run left is taken over; of two runs that write
/// one target, one waits.
void write_atomically(const std::string& path, std::string_view content, OnDisk when = OnDisk::kNow);

/// Waits until these files of one folder, and their names, are on the disk. RunError, naming one, when the
/// file system could not bring it there.
void settle_files(const std::vector<std::string>& paths);

/// Waits until no thread is inside write_atomically, and lets none begin while the lock lives: for whoever
/// ends the process without waiting for its threads.
std::unique_lock<std::shared_mutex> no_file_being_written();

}  // namespace cohlink
