#include "sim/signal/record/atomic_file.h"

#include <unistd.h>

#include <filesystem>
#include <fstream>

#include "sim/signal/scenario/errors.h"

namespace cohlink {
namespace fs = std::filesystem;

std::string output_target(const std::string& path) {
  std::error_code error;
  const fs::file_status status = fs::status(path, error);  // of what a link leads to
  if (fs::is_directory(status)) throw InputError(path + ": is a folder");
  if (fs::exists(status) && !fs::is_regular_file(status))
    throw InputError(path + ": is not a regular file, and would be replaced by one");
  constexpr int kMostLinks = 40;  // as the kernel allows
  fs::path target(path);
  for (int links = 0; fs::is_symlink(target, error); ++links) {
    if (links == kMostLinks) throw InputError(path + ": leads through too many links");
    const fs::path next = fs::read_symlink(target, error);
    if (error) throw InputError(path + ": a link that cannot be followed: " + error.message());
    target = target.parent_path() / next;  // an absolute link replaces the folder
  }
  return target.string();
}

void write_atomically(const std::string& path, std::string_view content) {
  const std::string target = output_target(path);
  const std::string beside = target + ".part" + std::to_string(::getpid());
  std::ofstream file(beside, std::ios::binary);
  if (!file) throw RunError(path + ": cannot be created (does the folder exist, and may it be written?)");
  file.write(content.data(), static_cast<std::streamsize>(content.size()));
  file.close();
  std::error_code error;
  if (!file) {
    fs::remove(beside, error);
    throw RunError(path + ": cannot be written (disk full or file system error?)");
  }
  fs::rename(beside, target, error);
  if (!error) return;
  const std::string why = error.message();
  fs::remove(beside, error);
  throw RunError(path + ": cannot be replaced: " + why);
}

}  // namespace cohlink
