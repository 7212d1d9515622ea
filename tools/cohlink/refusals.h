// What a study says of a scenario before it runs; what it refuses: tools/study/plan/refusals.h.
#pragma once

#include <string>
#include <vector>

#include "tools/study/plan/refusals.h"

namespace cohlink {

/// Cautions, once, of keys that were given and that nothing reads in this scenario (unread_keys.h), those
/// apart that another value of a `varied` key makes count.
void caution_unread(const Scenario& scenario, const std::vector<std::string>& varied = {});

/// Notes that a [draw] section is not used here.
void note_unused_draws(const Scenario& scenario, bool quiet);

}  // namespace cohlink
