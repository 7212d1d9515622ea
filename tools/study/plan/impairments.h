// The impairments of a scenario: keys that stand off what perfect hardware would have. Which keys these are,
// their ideal values and the way they grow is a table (impairment_rows.h).
#pragma once

#include <string>
#include <vector>

#include "sim/signal/scenario/impairment_rows.h"
#include "sim/signal/scenario/scenario.h"

namespace cohlink {

/// One key that is, or may become, an impairment of a scenario.
struct ScenarioImpairment {
  const ScenarioKey* key = nullptr;
  const Impairment* row = nullptr;
  std::string value;      // as the scenario has it; "" = absent
  double now = 0;         // the same as a number, NaN for a switch; of perfect hardware `perfect`
  double perfect = 0;     // ideal value as a number; where the ideal is to be absent the legal end nearest it
  double end = 0;         // legal end in the direction of growth
  bool at_ideal = false;  // nothing to switch off
  bool one_value = true;  // false: spans of several types, whose own values one number cannot stand for

  std::string name() const { return key->full_name(); }
  bool grows() const { return row->growth != Growth::kSwitch && one_value; }
};

/// Those off their ideal, in the order of the table; with `all` also those that may come. Tied keys go with
/// what they follow. Fibre and amplifiers count where there are spans. A fibre's Kerr coefficient is that of
/// its type where the scenario gives none.
std::vector<ScenarioImpairment> impairments_of(const Scenario& scenario, bool all);

/// The scenario with this one at its ideal.
Scenario without(const Scenario& scenario, const ScenarioImpairment& impairment);

/// `value`, grown by `factor` on the impairment's scale and not beyond its legal end; whole numbers by one
/// step at least.
double grown(const ScenarioImpairment& impairment, double value, double factor);

/// How many times as large the impairment is at `limit` as it is now; NaN where it is at its ideal.
double headroom(const ScenarioImpairment& impairment, double limit);

}  // namespace cohlink
