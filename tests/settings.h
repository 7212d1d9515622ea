// Scenarios of a test: the defaults and what the test sets, "section.key=value" each.
#pragma once

#include <string>
#include <vector>

#include "sim/signal/scenario/scenario.h"

namespace cohlink::test {

using Settings = std::vector<std::string>;

inline Scenario scenario_with(const Settings& settings) {
  Scenario scenario;
  for (const std::string& assignment : settings) scenario.set(assignment);
  return scenario;
}

}  // namespace cohlink::test
