// A mutation fuzzer for every reader of files and options.
//
//   fuzz replay FOLDER           runs every file FOLDER/TARGET/* once: inputs that once failed, and seeds
//   fuzz mutate TARGET N [SEED]  runs N inputs made from the target's seeds; TARGET "all" = every one
//                                but those whose names end in -bits, which are slow
//
// The same seed gives the same inputs. An input that fails (a crash, 10 s of computing, another exception
// than InputError and RunError) is left as TARGET-failed.bin in the working folder. Prints inputs a target
// and the memory at the end.
#include <fcntl.h>
#include <sys/mman.h>
#include <sys/resource.h>
#include <sys/time.h>
#include <unistd.h>

#include <algorithm>
#include <csignal>
#include <cstring>
#include <filesystem>
#include <fstream>
#include <iostream>
#include <random>
#include <sstream>

#include "sim/signal/scenario/errors.h"
#include "tests/fuzz/target.h"

namespace cohlink::fuzz {
namespace {

namespace fs = std::filesystem;
constexpr time_t kSeconds = 10;
constexpr std::size_t kLongest = std::size_t{1} << 16;

/// The input under way, in a file of its own that outlives a crash.
class Witness {
 public:
  explicit Witness(const std::string& target) : path_(target + "-failed.bin") {
    file_ = ::open(path_.c_str(), O_RDWR | O_CREAT | O_TRUNC, 0644);
  }
  ~Witness() {
    ::close(file_);
    fs::remove(path_);
  }
  Witness(const Witness&) = delete;
  Witness& operator=(const Witness&) = delete;
  void show(const std::string& input) {
    if (::ftruncate(file_, 0) != 0 || ::pwrite(file_, input.data(), input.size(), 0) < 0) std::abort();
  }

 private:
  std::string path_;
  int file_;
};

/// Ends the process after so many seconds of computing (SIGPROF): a hang is a failure. 0 = no more.
void limit_computing(time_t seconds) {
  const itimerval limit = {{0, 0}, {seconds, 0}};
  ::setitimer(ITIMER_PROF, &limit, nullptr);
}

void run_one(const Target& target, const std::string& input) {
  limit_computing(kSeconds);
  try {
    target.run(input);
  } catch (const InputError&) {
  } catch (const RunError&) {
  }
  limit_computing(0);
}

/// Changes to an input, many small ones and a few large.
class Mutator {
 public:
  Mutator(const Target& target, std::uint64_t seed) : target_(target), random_(seed) {}

  std::string next() {
    std::string input = target_.seeds[below(target_.seeds.size())];
    for (std::size_t changes = std::size_t{1} << below(5); changes > 0; --changes) change(input);
    input.resize(std::min(input.size(), kLongest));
    return input;
  }

 private:
  std::size_t below(std::size_t end) { return end == 0 ? 0 : random_() % end; }

  void change(std::string& input) {
    const std::size_t at = below(input.size() + 1),
                      length = below(std::min<std::size_t>(64, input.size() - at) + 1);
    switch (below(8)) {
      case 0:
        if (at < input.size()) input[at] = static_cast<char>(input[at] ^ (1 << below(8)));
        return;
      case 1:
        if (at < input.size()) input[at] = static_cast<char>(random_());
        return;
      case 2:
        input.erase(at, length);
        return;
      case 3:
        input.insert(at, input.substr(at, length));
        return;
      case 4:
        input.insert(at, 1 + below(8), static_cast<char>(random_()));
        return;
      case 5: {
        const std::string& other = target_.seeds[below(target_.seeds.size())];
        const std::size_t from = below(other.size() + 1);
        input.replace(at, length, other.substr(from, below(256)));
        return;
      }
      case 6:
        if (!target_.words.empty()) input.replace(at, length, target_.words[below(target_.words.size())]);
        return;
      default:
        replace_number(input, at);
    }
  }

  /// The digits at or after `at` by a number that readers stumble over.
  void replace_number(std::string& input, std::size_t at) {
    static const char* const kNumbers[] = {
        "0",          "-1", "1e308", "nan",  "inf", "1e-320", "18446744073709551616", "9223372036854775807",
        "4294967296", "-0", "0.5",   "65536"};
    const auto first = input.find_first_of("0123456789", at);
    if (first == std::string::npos) return;
    const auto last = input.find_first_not_of("0123456789.", first);
    input.replace(first, std::min(last, input.size()) - first, kNumbers[below(std::size(kNumbers))]);
  }

  const Target& target_;
  std::mt19937_64 random_;
};

void mutate(const Target& target, std::uint64_t count, std::uint64_t seed) {
  Witness witness(target.name);
  Mutator mutator(target, seed);
  for (const auto& input : target.seeds) run_one(target, input);
  for (std::uint64_t i = 0; i < count; ++i) {
    const std::string input = mutator.next();
    witness.show(input);
    run_one(target, input);
  }
  std::cout << target.name << ": " << count << " inputs\n" << std::flush;
}

std::string content(const fs::path& path) {
  std::ifstream file(path, std::ios::binary);
  std::ostringstream text;
  text << file.rdbuf();
  return text.str();
}

void replay(const std::vector<Target>& targets, const fs::path& folder) {
  std::size_t count = 0;
  for (const auto& target : targets) {
    if (!fs::is_directory(folder / target.name)) continue;
    for (const auto& entry : fs::directory_iterator(folder / target.name)) {
      std::cout << target.name << "/" << entry.path().filename().string() << '\n' << std::flush;
      run_one(target, content(entry.path()));
      ++count;
    }
  }
  std::cout << count << " inputs replayed\n";
}

void report_memory() {
  rusage usage{};
  ::getrusage(RUSAGE_SELF, &usage);
  std::cout << "at most " << usage.ru_maxrss / 1024 << " MiB of memory\n";
}

int run(const std::vector<std::string>& arguments) {
  std::vector<Target> targets = text_targets();
  for (auto& target : file_targets()) targets.push_back(std::move(target));
  if (arguments.size() == 2 && arguments[0] == "replay") {
    replay(targets, arguments[1]);
  } else if (arguments.size() >= 3 && arguments[0] == "mutate") {
    const std::uint64_t seed = arguments.size() > 3 ? std::stoull(arguments[3]) : 1;
    for (const auto& target : targets)
      if (arguments[1] == target.name || (arguments[1] == "all" && !target.name.ends_with(kSlow)))
        mutate(target, std::stoull(arguments[2]), seed);
  } else {
    std::cerr << "fuzz replay FOLDER | fuzz mutate TARGET|all N [SEED]\n";
    return 2;
  }
  report_memory();
  return 0;
}

}  // namespace
}  // namespace cohlink::fuzz

int main(int argc, char** argv) { return cohlink::fuzz::run({argv + 1, argv + argc}); }
