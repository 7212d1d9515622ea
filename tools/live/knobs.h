// Which scenario keys the page turns, and how far its sliders go. What a key is (unit, legal range, help) the
// key table says.
#pragma once

#include <nlohmann/json_fwd.hpp>
#include <span>
#include <string_view>

#include "sim/signal/scenario/scenario.h"

namespace cohlink::live {

/// A key that is shown without asking, with the range of its slider; a range of no width: no slider.
struct Knob {
  std::string_view key;
  double low = 0, high = 0;
};

std::span<const Knob> chosen_knobs();

/// Whether the page may set the key: numbers, choices and switches of the bench, and dsp.chain. None names a
/// file, so that no page can make the program read one.
bool may_turn(const ScenarioKey& key);

/// [{"key", "section", "name", "unit", "type", "default", "legal", "help", "source", "choices", "low",
/// "high",
///   "slider": [low, high] or null, "chosen"}]: all keys that may be turned, in the table's order.
nlohmann::json knob_list();

/// Most symbols a round: more would be no bench that answers.
inline constexpr double kMostLiveSymbols = 131072;

}  // namespace cohlink::live
