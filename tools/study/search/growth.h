// How far one impairment may grow until a criterion fails, everything else as it is.
#pragma once

#include <cstdint>
#include <string>

#include "tools/study/plan/impairments.h"
#include "tools/study/search/limit.h"

namespace cohlink {

enum class GrowthState {
  kLimited,      // `value` is where the criterion begins to fail
  kHoldsOn,      // proven to hold up to `holds`: the end of the key's range, or of what was looked at
  kFailsNow,     // the criterion fails as the scenario is; smaller than `value` it would hold
  kFailsAnyway,  // it fails even with this impairment at its ideal
  kUndecided,    // see `remark`
  kNoGrowth,     // a switch: there or not
  kNotCounted,   // closed forms leave it out
};

/// "limited", "holds on", "fails now", "fails anyway", "undecided", "no growth", "not counted".
std::string growth_state_name(GrowthState state);

struct GrowthLimit {
  GrowthState state = GrowthState::kNoGrowth;
  double value = 0, holds = 0, fails = 0;  // NaN where there is none; holds and fails bracket the value
  std::uint64_t frames = 0;
  std::string remark;
};

struct GrowthRule {
  Criterion criterion;
  double resolution = 0.05;  // of each doubling, where bisecting ends
  std::uint64_t frames = 1;  // at most, for one value
};

/// Doubles the impairment on its own scale until the criterion fails, then bisects (limit.h). An impairment
/// at its ideal begins at its usual value. Where the criterion fails as the scenario is, looks between there
/// and the ideal. A value that the rest of the scenario cannot take ends the search, with a remark.
GrowthLimit find_growth(const Scenario& scenario, const ScenarioImpairment& impairment,
                        const GrowthRule& rule, const SourceMaker& source, unsigned threads);

}  // namespace cohlink
