#include "tools/study/parts/journal.h"

#include <fcntl.h>
#include <sys/file.h>
#include <unistd.h>

#include <algorithm>
#include <cerrno>
#include <chrono>
#include <cstring>
#include <filesystem>
#include <fstream>
#include <sstream>

#include "sim/signal/record/atomic_file.h"
#include "sim/signal/scenario/errors.h"
#include "sim/signal/version.h"
#include "tools/study/plan/fingerprint.h"
#include "tools/study/plan/numbers.h"

namespace cohlink {
namespace {

constexpr std::string_view kKind = "cohlink journal 1";
constexpr double kSyncSeconds = 5.0;

double now() {
  return std::chrono::duration<double>(std::chrono::steady_clock::now().time_since_epoch()).count();
}

// Names of one word: differences() takes the header apart at its blanks.
std::string header_of(const RunIdentity& identity) {
  std::string header(kKind);
  for (const auto& [name, content] : identity) header += " " + name + "=" + fingerprint(content).text();
  return header;
}

std::string sealed(std::string_view record) { return fingerprint(record).text() + " " + std::string(record); }

/// The record of a line, or nothing for a damaged one.
bool unseal(const std::string& line, std::string& record) {
  const auto blank = line.find(' ');
  if (blank == std::string::npos) return false;
  record = line.substr(blank + 1);
  return sealed(record) == line;
}

std::vector<std::string> words(const std::string& text) {
  std::istringstream stream(text);
  std::vector<std::string> found;
  for (std::string word; stream >> word;) found.push_back(word);
  return found;
}

/// Which parts of the identity a foreign header does not share.
std::string differences(const std::string& header, const RunIdentity& identity) {
  std::string names;
  const auto theirs = words(header);
  for (const auto& [name, content] : identity) {
    const std::string ours = name + "=" + fingerprint(content).text();
    if (std::find(theirs.begin(), theirs.end(), ours) == theirs.end())
      names += (names.empty() ? "" : ", ") + name;
  }
  return names.empty() ? "kind of run" : names;
}

}  // namespace

std::string deciding_text(const Scenario& scenario) {
  Scenario bare = scenario;
  for (const char* key : {"run.threads", "run.reuse", "run.reuse_memory_mb"})
    bare.set(key, std::string(find_key(key)->default_value), "identity");
  return bare.resolved();
}

RunIdentity study_identity(const std::string& kind, const Scenario& scenario) {
  return {{"version", std::string(version().number) + " " + std::string(version().git_hash)},
          {"scenario", deciding_text(scenario)},
          {"command", kind}};
}

Journal::Journal(std::string path, const RunIdentity& identity) : path_(std::move(path)) {
  output_target(path_);
  file_ = ::open(path_.c_str(), O_RDWR | O_CREAT | O_APPEND | O_CLOEXEC, 0644);
  if (file_ < 0) throw RunError(path_, std::string("cannot be written: ") + std::strerror(errno));
  if (::flock(file_, LOCK_EX | LOCK_NB) != 0)
    throw InputError(path_, "another run is writing it; let that end, or give another output file");
  try {
    read(header_of(identity), identity);
  } catch (const RunError&) {
    if (records_.empty()) remove();  // not even its first line could be written
    ::close(file_);
    throw;
  }
  ours_ = true;
}

Journal::~Journal() {
  if (ours_ && records_.empty() && added_ == 0) remove();  // nothing in it worth keeping
  if (file_ >= 0) ::close(file_);
}

void Journal::read(const std::string& header, const RunIdentity& identity) {
  std::ifstream stream(path_, std::ios::binary);
  std::ostringstream text;
  text << stream.rdbuf();
  const std::string all = text.str();
  std::size_t good = 0;  // bytes of whole lines
  for (std::size_t begin = 0, end; (end = all.find('\n', begin)) != std::string::npos; begin = end + 1) {
    const std::string line = all.substr(begin, end - begin);
    if (begin == 0) {
      if (!line.starts_with(kKind)) throw InputError(path_, "is not a journal of cohlink; remove it");
      if (line != header)
        throw InputError(path_, "was left by another run (" + differences(line, identity) +
                                    " differs); repeat that one to finish it, or remove the file");
    } else {
      std::string record;
      if (!unseal(line, record)) {
        const auto lost = std::count(all.begin() + static_cast<std::ptrdiff_t>(begin), all.end(), '\n');
        damage_ = path_ + ": the record in line " + std::to_string(records_.size() + 2) +
                  " is damaged; it and the " + grouped(static_cast<std::uint64_t>(lost - 1)) +
                  " after it are computed again, the " + grouped(records_.size()) + " before it are kept";
        break;
      }
      records_.push_back(record);
    }
    good = end + 1;
  }
  if (good == 0 && !all.empty() && !std::string(kKind).starts_with(all.substr(0, kKind.size())) &&
      !all.starts_with(kKind))
    throw InputError(path_, "is not a journal of cohlink; remove it");
  if (good < all.size() && ::ftruncate(file_, static_cast<off_t>(good)) != 0)
    throw RunError(path_, std::string("cannot be mended: ") + std::strerror(errno));
  if (good == 0) write(header + "\n");
}

void Journal::add(std::string_view record) {
  write(sealed(record) + "\n");
  ++added_;
}

void Journal::write(const std::string& text) {
  for (std::size_t done = 0; done < text.size();) {
    const auto wrote = ::write(file_, text.data() + done, text.size() - done);
    if (wrote < 0 && errno == EINTR) continue;
    if (wrote <= 0) throw RunError(path_, std::string("cannot be written: ") + std::strerror(errno));
    done += static_cast<std::size_t>(wrote);
  }
  if (now() - synced_ < kSyncSeconds) return;
  ::fdatasync(file_);
  synced_ = now();
}

void Journal::remove() {
  std::error_code ignored;
  std::filesystem::remove(path_, ignored);
}

}  // namespace cohlink
