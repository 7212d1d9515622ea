// A scenario's line, told to people.
#pragma once

#include <string>
#include <vector>

#include "sim/signal/line/line.h"
#include "sim/signal/scenario/scenario.h"
#include "tools/study/files/table.h"

namespace cohlink {

/// "back to back", "20 spans of 80 km", "3 spans, 250 km in all".
std::string describe_spans(const Line& line);

/// What comes into the receiver, behind its attenuator [dBm].
Fact received_power_fact(const Scenario& scenario, const char* label);

/// What was lost, and where: spans alike are told together. Starts with a heading; empty back to back.
std::vector<Fact> light_path_facts(const Scenario& scenario);

}  // namespace cohlink
