// What a run has computed so far, on disk: whatever ends the run, the same command goes on from there.
#pragma once

#include <string>
#include <string_view>
#include <utility>
#include <vector>

#include "sim/signal/scenario/scenario.h"

namespace cohlink {

/// Names and contents of all that decides a run's numbers: ("scenario", its text), ("version", ...).
using RunIdentity = std::vector<std::pair<std::string, std::string>>;

/// The resolved scenario without the keys that change how numbers are computed and not what they are
/// (threads, reuse): equal texts, equal numbers.
std::string deciding_text(const Scenario& scenario);

/// Of a study that counts frames of this scenario: its kind ("limit"), the build and the scenario.
RunIdentity study_identity(const std::string& kind, const Scenario& scenario);

/// A file of lines beside the output: one that says whose it is, then one a record, each with a check sum.
class Journal {
 public:
  /// Opens PATH, reading what an earlier run left. A last line cut short is dropped; so is a damaged one and
  /// what follows it (see damage). InputError when the file
  /// belongs to a run of another identity (saying what differs), is no journal, or is in use. RunError when
  /// it cannot be written.
  Journal(std::string path, const RunIdentity& identity);
  ~Journal();
  Journal(const Journal&) = delete;
  Journal& operator=(const Journal&) = delete;

  /// What earlier runs recorded, in order.
  const std::vector<std::string>& records() const { return records_; }
  /// Says what was dropped, and kept, where a record did not fit its check sum; "" where all did.
  const std::string& damage() const { return damage_; }
  /// Adds one record (no line ends in it). It survives the death of the process from then on, and that of
  /// the machine a few seconds later.
  void add(std::string_view record);
  /// The run is complete: the journal is not needed any more.
  void remove();

 private:
  void read(const std::string& header, const RunIdentity& identity);
  void write(const std::string& text);
  std::string path_;
  int file_ = -1;
  std::vector<std::string> records_;
  std::string damage_;
  std::size_t added_ = 0;
  bool ours_ = false;  // of this very run: checked
  double synced_ = 0;  // seconds
};

}  // namespace cohlink
