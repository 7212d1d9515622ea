// What a study says of a scenario before it runs; what it refuses: tools/study/plan/refusals.h.
#pragma once

#include <string>
#include <vector>

#include "tools/cohlink/command_line.h"
#include "tools/study/plan/refusals.h"

namespace cohlink {

/// Cautions, once, of keys that were given and that nothing reads in this scenario (unread_keys.h), those
/// apart that another value of a `varied` key makes count.
void caution_unread(const Scenario& scenario, const std::vector<std::string>& varied = {});

/// The scenario that a command is asked to study: of its files and options, no recording; its output is
/// looked at first. InputError without a file, "COMMAND needs a scenario file".
Scenario scenario_to_study(const CommandLine& line, const std::string& command);

/// Notes that a [draw] section is not used here.
void note_unused_draws(const Scenario& scenario, bool quiet);

}  // namespace cohlink
