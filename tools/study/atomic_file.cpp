#include "tools/study/atomic_file.h"

#include <unistd.h>

#include <filesystem>
#include <fstream>

#include "sim/signal/errors.h"

namespace cohlink {

void write_atomically(const std::string& path, const std::string& content) {
  const std::string beside = path + "." + std::to_string(::getpid()) + ".part";
  std::error_code error;
  {
    std::ofstream file(beside, std::ios::binary);
    file << content;
    file.flush();
    if (!file) {
      std::filesystem::remove(beside, error);
      throw RunError(path + ": cannot be written");
    }
  }
  std::filesystem::rename(beside, path, error);
  if (!error) return;
  const std::string why = error.message();
  std::filesystem::remove(beside, error);
  throw RunError(path + ": cannot be written: " + why);
}

}  // namespace cohlink
