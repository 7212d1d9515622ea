// Which flaws of a scenario a budget leaves out.
#pragma once

#include <string>
#include <string_view>
#include <vector>

#include "sim/signal/scenario/scenario.h"

namespace cohlink {

/// Full names of the keys of the bench, from the transmitter to the converter, that are off their defaults
/// and that the budget does not count, in the table's order. Every key is listed that is not named in
/// not_counted.cpp as counted or as harmless by itself: a new key need not be thought of.
std::vector<std::string> keys_not_counted(const Scenario& scenario);

/// Whether the budget counts this key.
bool counted_by_budget(std::string_view key);

/// Whether this key costs nothing by itself: the data, the arithmetic, the size or shape of something that
/// another key switches on.
bool harmless_by_itself(std::string_view key);

}  // namespace cohlink
