#include <unistd.h>

#include <filesystem>
#include <fstream>

#include "tests/fuzz/target.h"

namespace cohlink::fuzz {
namespace {

namespace fs = std::filesystem;

struct Folder {
  std::string path;
  Folder() {
    const fs::path memory = "/dev/shm";
    const fs::path parent = fs::is_directory(memory) ? memory : fs::temp_directory_path();
    path = (parent / ("cohlink-fuzz-" + std::to_string(::getpid()))).string();
    fs::create_directories(path);
  }
  ~Folder() { fs::remove_all(path); }
};

}  // namespace

const std::string& scratch() {
  static const Folder folder;
  return folder.path;
}

std::string scratch_file(const std::string& name, const std::string& content) {
  std::string path = scratch() + "/" + name;
  std::ofstream(path, std::ios::binary) << content;
  return path;
}

}  // namespace cohlink::fuzz
