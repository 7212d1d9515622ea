// What one viewer has set: a scenario, what was changed in it, and blocks that are switched off.
#pragma once

#include <cstdint>
#include <map>
#include <nlohmann/json_fwd.hpp>
#include <string>
#include <vector>

#include "sim/signal/scenario/scenario.h"

namespace cohlink::live {

/// Where the bench begins, as the command line says it.
struct Opening {
  Scenario scenario;    // its run and length as they are to be seen live
  std::string name;     // "scenarios/first-light.ini", "defaults"
  std::string command;  // files and options, quoted for a shell; "" where none were given
};

/// The scenario as a bench that answers runs it: 8,192 symbols a round and FFT plans that need no measuring,
/// where `by_hand` (--set) does not say otherwise.
void make_live(Scenario& scenario, const std::vector<std::string>& by_hand);

/// How the page wants to look at the next round.
struct Look {
  std::size_t block = 0;     // 0: the lanes; n: behind block n of the chain
  bool all_samples = false;  // instead of the symbol times
};

class Settings {
 public:
  explicit Settings(Opening opening);

  /// {"set": {"key": K, "value": V}}  (value null: as the bench began)
  /// {"block": {"index": I, "on": B}} a block of the whole chain, off or on again
  /// {"preset": NAME}, {"lecture": N}, {"start": true}  another bench
  /// InputError, and nothing is changed, for what cannot be used; its key() is that of the knob.
  void apply(const nlohmann::json& request);

  /// What is to be run.
  Scenario scenario() const;
  /// {"values", "changed", "blocks", "bench", "lecture", "command", "ini"}; `rounds`: how many were counted.
  nlohmann::json describe(std::uint64_t rounds) const;
  /// INI text that repeats what is seen: `rounds` frames, all of them counted.
  std::string saved(std::uint64_t rounds) const;

 private:
  void set(const std::string& key, const nlohmann::json& value);
  void turn_block(const nlohmann::json& request);
  void open_preset(const std::string& name);
  void open_step(std::size_t step);
  void begin(Scenario scenario, std::string name, std::string command);
  std::vector<std::string> whole_chain() const;
  std::vector<std::string> chain_without(const std::vector<bool>& off) const;
  nlohmann::json describe_blocks() const;
  std::string command(std::uint64_t rounds) const;

  Opening opening_;
  Scenario base_;
  std::string name_, command_;
  int step_ = -1;                               // of the lecture; -1: none
  std::map<std::string, std::string> changes_;  // by key
  std::vector<bool> off_;                       // blocks of the whole chain
};

}  // namespace cohlink::live
