#include "sim/signal/record/atomic_file.h"

#include <fcntl.h>
#include <sys/file.h>
#include <sys/stat.h>
#include <unistd.h>

#include <cerrno>
#include <cstring>
#include <filesystem>

#include "sim/signal/scenario/errors.h"

namespace cohlink {
namespace fs = std::filesystem;
namespace {

[[noreturn]] void fail(const std::string& path, const std::string& what, int error) {
  throw RunError(path, what + ": " + std::strerror(error));
}

constexpr const char* kNotSettled = "cannot be brought to the disk";

/// Shared by those who write; never destroyed, since threads may outlive the end of main.
std::shared_mutex& writers() {
  static auto& mutex = *new std::shared_mutex;
  return mutex;
}

/// An open file, closed at the end.
class Descriptor {
 public:
  explicit Descriptor(int file) : file_(file) {}
  ~Descriptor() {
    if (file_ >= 0) ::close(file_);
  }
  Descriptor(Descriptor&& other) noexcept : file_(other.file_) { other.file_ = -1; }
  Descriptor(const Descriptor&) = delete;
  Descriptor& operator=(const Descriptor&) = delete;
  int get() const { return file_; }

 private:
  int file_;
};

bool is_still(int file, const std::string& path) {
  struct stat open, named;
  return ::fstat(file, &open) == 0 && ::stat(path.c_str(), &named) == 0 && open.st_ino == named.st_ino &&
         open.st_dev == named.st_dev;
}

/// To cut an empty file would have some file systems bring it to the disk as soon as it is closed.
bool emptied(int file) {
  struct stat open;
  return (::fstat(file, &open) == 0 && open.st_size == 0) || ::ftruncate(file, 0) == 0;
}

/// The file beside the target, empty and ours alone. What a killed run left there is taken over; while
/// another run writes it, we wait, and it then bears another name.
Descriptor locked_part(const std::string& path, const std::string& part) {
  for (;;) {
    Descriptor file(::open(part.c_str(), O_WRONLY | O_CREAT | O_NOFOLLOW | O_CLOEXEC, 0666));
    if (file.get() < 0)
      throw RunError(path, "cannot be created (does the folder exist, and may it be written?)");
    while (::flock(file.get(), LOCK_EX) != 0)
      if (errno != EINTR) break;  // a file system without locks: nobody to wait for is known of
    if (!is_still(file.get(), part)) continue;
    if (!emptied(file.get())) fail(path, "cannot be written", errno);
    return file;
  }
}

bool write_all(int file, std::string_view content) {
  while (!content.empty()) {
    const ssize_t wrote = ::write(file, content.data(), content.size());
    if (wrote < 0 && errno == EINTR) continue;
    if (wrote <= 0) return false;
    content.remove_prefix(static_cast<std::size_t>(wrote));
  }
  return true;
}

/// Whether closing finds no fault: a file system over a network may tell of a full disk only then. A twin is
/// closed, since the lock goes with the last.
bool closes_well(int file) {
  const int twin = ::dup(file);
  return twin >= 0 && ::close(twin) == 0;
}

/// So that the new name, too, outlives a loss of power.
void sync_folder(const fs::path& file) {
  const std::string folder = file.has_parent_path() ? file.parent_path().string() : ".";
  const Descriptor opened(::open(folder.c_str(), O_RDONLY | O_DIRECTORY | O_CLOEXEC));
  if (opened.get() >= 0) ::fsync(opened.get());
}

}  // namespace

std::string output_target(const std::string& path) {
  std::error_code error;
  const fs::file_status status = fs::status(path, error);  // of what a link leads to
  if (fs::is_directory(status)) throw InputError(path, "is a folder");
  if (fs::exists(status) && !fs::is_regular_file(status))
    throw InputError(path, "is not a regular file, and would be replaced by one");
  constexpr int kMostLinks = 40;  // as the kernel allows
  fs::path target(path);
  for (int links = 0; fs::is_symlink(target, error); ++links) {
    if (links == kMostLinks) throw InputError(path, "leads through too many links");
    const fs::path next = fs::read_symlink(target, error);
    if (error) throw InputError(path, "a link that cannot be followed: " + error.message());
    target = target.parent_path() / next;  // an absolute link replaces the folder
  }
  return target.string();
}

std::unique_lock<std::shared_mutex> no_file_being_written() { return std::unique_lock(writers()); }

void write_atomically(const std::string& path, std::string_view content, OnDisk when) {
  const std::shared_lock writing(writers());
  const std::string target = output_target(path), part = target + ".part";
  const Descriptor file = locked_part(path, part);
  const bool now = when == OnDisk::kNow;
  const bool written =
      write_all(file.get(), content) && (now ? ::fsync(file.get()) == 0 : closes_well(file.get()));
  if (written && ::rename(part.c_str(), target.c_str()) == 0) {
    if (now) sync_folder(target);
    return;
  }
  const int why = errno;
  ::unlink(part.c_str());
  if (written) fail(path, "cannot be replaced", why);
  throw RunError(path, "cannot be written (disk full or file system error?)");
}

// All writing is begun before any is waited for: to wait for whole files one by one has some file systems
// write their journal as often as there are files.
void settle_files(const std::vector<std::string>& paths) {
  if (paths.empty()) return;
  const auto each = [&](unsigned how) {
    for (const std::string& path : paths) {
      const Descriptor file(::open(path.c_str(), O_RDONLY | O_CLOEXEC));
      if (file.get() < 0 || ::sync_file_range(file.get(), 0, 0, how) != 0) fail(path, kNotSettled, errno);
    }
  };
  each(SYNC_FILE_RANGE_WRITE);
  each(SYNC_FILE_RANGE_WAIT_BEFORE | SYNC_FILE_RANGE_WRITE | SYNC_FILE_RANGE_WAIT_AFTER);
  const Descriptor any(::open(paths.front().c_str(), O_RDONLY | O_CLOEXEC));
  if (any.get() < 0 || ::syncfs(any.get()) != 0) fail(paths.front(), kNotSettled, errno);  // their names
}

}  // namespace cohlink
