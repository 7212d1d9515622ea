// Options that every command shares, read with Boost.Program_options.
#pragma once

#include <boost/program_options.hpp>
#include <cstdint>
#include <map>
#include <optional>
#include <string>
#include <vector>

#include "sim/signal/scenario/scenario.h"
#include "tools/study/files/table.h"
#include "tools/study/run/planning.h"

namespace cohlink {

struct CommonOptions {
  std::vector<std::string> files;
  std::vector<std::string> settings;  // section.key=value, in order
  std::vector<std::string> ties;      // section.key=expression of other keys, in order
  std::optional<std::uint64_t> seed;
  std::optional<std::int64_t> threads;
  std::string output;  // "" = none asked for
  Format format = Format::kText;
  bool quiet = false;
};

/// One command's options: declare, parse, then ask.
class CommandLine {
 public:
  /// `synopsis` follows "usage: cohlink "; `summary` says in a sentence or two what the command does.
  CommandLine(std::string synopsis, std::string summary);

  /// Declares options of this command alone.
  boost::program_options::options_description_easy_init own();

  /// Reads the arguments after the command's name. False when only help was asked for (and printed).
  /// Throws InputError for an unknown option (naming the nearest), a missing, empty or unreadable value.
  bool parse(const std::vector<std::string>& arguments);

  const CommonOptions& common() const { return common_; }
  bool has(const std::string& option) const { return values_.count(option) > 0; }
  std::string text(const std::string& option) const;
  std::vector<std::string> texts(const std::string& option) const;
  /// InputError when one of these options is given: "--set: WHY". What would be ignored is better refused.
  void refuse(const std::vector<std::string>& options, const std::string& why) const;
  /// A whole number, `least` or more.
  std::optional<std::uint64_t> count(const std::string& option, std::uint64_t least = 0) const;

 private:
  void store(const std::vector<std::string>& arguments);
  void print_help() const;
  void read_common();
  void refuse_empty(const std::string& option) const;
  std::map<std::string, std::string> written_;  // by option: "-n" or "--items"
  std::string synopsis_, summary_;
  boost::program_options::options_description own_, shared_;
  boost::program_options::variables_map values_;
  CommonOptions common_;
};

/// True for a file that begins as HDF5 files do; false for any other, missing ones included.
bool looks_like_hdf5(const std::string& path);

/// Layers the files (left to right), --set and --seed over `base`. An HDF5 file among them is an InputError,
/// and so is an output that would replace a file which the scenario's keys name.
Scenario layered(Scenario base, const std::vector<std::string>& files, const CommonOptions& options);

/// Every file that the scenario's keys name, where it is looked for: here and beside the scenario files.
std::vector<std::string> named_inputs(const Scenario& scenario, const std::vector<std::string>& files);

/// InputError when `path` is one of the `inputs`, by whatever name.
void keep_inputs(const std::string& path, const std::vector<std::string>& inputs);

/// Throws InputError when the folder of `path` does not exist or `path` is a folder: said before any work.
/// Nor may it be one of the `inputs`: a typing mistake must not cost a scenario or a capture.
void check_output(const std::string& path, const std::vector<std::string>& inputs);

/// As a shell must see it: quoted where it holds anything but plain characters.
std::string shell_quoted(const std::string& text);

/// --threads, else run.threads; 0 = one per core.
std::int64_t asked_threads(const CommonOptions& options, const Scenario& scenario);

}  // namespace cohlink
