// The one table of scenario keys, and the scenario read from it.
//
// Each parameter is declared once, in scenario_keys.cpp; INI reading, --set, range checks, the key list,
// docs/scenario-keys.md and the resolved scenario in every output file are derived from that table.
#pragma once

#include <cstdint>
#include <map>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "sim/signal/scenario/errors.h"
#include "sim/signal/scenario/tie.h"

namespace cohlink {

enum class KeyType { kNumber, kInteger, kBoolean, kChoice, kText, kList, kNumbers };

struct ScenarioKey {
  std::string_view section, name;
  KeyType type;
  std::string_view unit;           // "" where there is none
  std::string_view default_value;  // "" = absent: the key may be left out, and `help` says what then holds
  double low, high;                // legal range of numbers (each of a list) and integers, both ends allowed
  std::string_view choices;        // "qpsk|16qam|gaussian" for kChoice; legal items for kList ("" = any)
  std::string_view help;           // one line
  std::string_view source;         // where the default or range comes from; "" = a setting of the run

  std::string full_name() const { return std::string(section) + "." + std::string(name); }
};

/// The part of the bench that a key acts on first: what the light or the data meet before it is the same
/// whatever the key's value. Studies reuse what stands before the stages that they vary. kStudy: settings of
/// the run that change no number.
enum class BenchStage { kTransmitter, kLine, kOptics, kFrontend, kReceiver, kStudy };

/// "transmitter", "line", "optics", "front end", "receiver", "study".
std::string_view bench_stage_name(BenchStage stage);

/// Of a key in the table. A test holds every key to it. One leak is known and allowed for: where
/// run.samples_per_symbol is absent, the number chosen depends on laser_lo.frequency_offset_mhz and on
/// whether frontend.output_saturation_mv is given.
BenchStage bench_stage(const ScenarioKey& key);

/// All keys, in the order of the design: sections together.
const std::vector<ScenarioKey>& scenario_keys();

/// Section.key or null.
const ScenarioKey* find_key(std::string_view full_name);

/// The known key nearest to `full_name` by edit distance ("" when nothing is near).
std::string nearest_key(std::string_view full_name);

/// "between 0.01 and 1", "one of qpsk, 16qam, gaussian", ...: what a key accepts, for messages and docs.
std::string legal_values(const ScenarioKey& key);

/// One line of a spec sheet, a section [require.NAME]; what it means: tools/study/search/spec_sheet.h.
/// Entries: set, vary, measure, at_most, at_least, source, and of outages criterion, confidence, screen.
struct RequirementText {
  struct Entry {
    std::string text;
    Origin origin;
  };
  std::string name;
  Origin origin;  // where it was first named
  std::map<std::string, Entry, std::less<>> entries;
};

/// Values for every key, and the spec sheet. Reading throws InputError with origin, key, value and legal
/// range.
class Scenario {
 public:
  /// Every key at its default.
  Scenario() = default;

  /// Layers an INI file over what is set so far. A key twice in one file is an error.
  void read_file(const std::string& path);
  /// The same from text; `origin` stands for the file name in messages.
  void read_text(const std::string& text, const std::string& origin);
  /// "section.key=value"; `origin` is what messages about it begin with.
  void set(const std::string& assignment, const Origin& origin = {});
  void set(const std::string& full_name, const std::string& value, const Origin& origin);

  /// Typed access. Naming an undeclared key or the wrong type is a programming error
  /// (std::logic_error); an absent value where one is needed is an InputError.
  double number(std::string_view key) const;
  std::optional<double> optional_number(std::string_view key) const;
  std::int64_t integer(std::string_view key) const;
  bool boolean(std::string_view key) const;
  std::string text(std::string_view key) const;  // also choices
  std::vector<std::string> list(std::string_view key) const;
  std::vector<double> numbers(std::string_view key) const;
  const std::string& written(std::string_view key) const;  // any type, as text; "" = absent
  bool is_set(std::string_view key) const;                 // has a value (default or given)
  bool is_given(std::string_view key) const;               // was given, not left at its default

  /// Throws InputError for a value that is legal by itself but does not fit the others; the message
  /// starts with where the key was set, or with the file of its section.
  [[noreturn]] void reject(std::string_view key, const std::string& why) const;

  /// The [require.NAME] sections in the order they were read; a later file overrides single entries.
  const std::vector<RequirementText>& requirements() const { return requirements_; }

  /// The [draw] section in the order it was read: keys that data sets and outages draw at random. What a law
  /// means is the business of whoever draws (tools/study/files/draw.h).
  struct DrawText {
    std::string key, law;
    Origin origin;
  };
  const std::vector<DrawText>& draws() const { return draws_; }
  void clear_draws() { draws_.clear(); }

  /// The [tie] section: keys that follow others, and change whenever these do (docs/studies.md). A tied key
  /// cannot be set; "tie.KEY=" frees it. Where what it follows is absent, so is it, if it may be; a value
  /// that does not fit it is an InputError when it is read.
  const std::vector<Tie>& ties() const { return ties_; }
  const Tie* find_tie(std::string_view key) const;
  /// Keys that move with this one, those that follow its followers too.
  std::vector<std::string> followers(const std::string& key) const;

  /// INI text of every key, absent ones as comments, and of the spec sheet; reading it back gives the same
  /// scenario.
  std::string resolved() const;

 private:
  struct Value {
    std::string text;
    Origin origin;
    std::string fault = {};  // of a tied key: why it has no value
  };
  const Value& found(std::string_view key) const;  // given, or the default
  const Value& value(std::string_view key, KeyType type) const;
  Origin file_of_section(std::string_view key) const;
  void set_requirement(const std::string& full_name, const std::string& text, const Origin& origin);
  void set_draw(const std::string& key, const std::string& law, const Origin& origin);
  void set_tie(const std::string& key, const std::string& text, const Origin& origin);
  std::optional<double> tied_number(const Tie& tie) const;
  Value tied_value(const Tie& tie) const;
  void draw_ties_tight();
  std::vector<RequirementText> requirements_;
  std::vector<DrawText> draws_;
  std::vector<Tie> ties_;
  std::map<std::string, Value, std::less<>> given_;  // only these: a sweep holds thousands of scenarios
};

}  // namespace cohlink
