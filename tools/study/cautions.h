// What whoever works on a link should be told about safety and about trust in its numbers, in words.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "sim/signal/scenario/scenario.h"

namespace cohlink {

/// Where light of `watt` in a fibre is above a hazard level of IEC 60825-2 (at 1550 nm).
std::optional<std::string> hazard_caution(double watt);

/// Where a scenario samples its light too coarsely for its hardware or brings the receiver a power outside
/// its range (sim/link_setup.h). InputError for one that cannot be set up.
std::vector<std::string> set_up_cautions_of(const Scenario& scenario);

/// Keys that were given and that nothing reads; `varied` keys may make them read.
std::optional<std::string> unread_caution(const Scenario& scenario,
                                          const std::vector<std::string>& varied = {});

}  // namespace cohlink
