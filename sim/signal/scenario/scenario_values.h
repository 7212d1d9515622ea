// What a key accepts, and what stands for it where it is not given: for the scenario alone.
#pragma once

#include <optional>
#include <string>
#include <string_view>

#include "sim/signal/scenario/scenario.h"

namespace cohlink {

/// InputError for text that is no number.
double number_of(const std::string& text, const Origin& origin, const ScenarioKey& key);

/// InputError for text that the key does not accept.
void check_value(const std::string& text, const Origin& origin, const ScenarioKey& key);

/// Of keys that fibre.type fills where they are not given.
std::optional<double> preset_number(std::string_view name, const std::string& fibre_type);

}  // namespace cohlink
