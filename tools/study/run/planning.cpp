#include "tools/study/run/planning.h"

namespace cohlink {

FftPlanning planning_of(const Scenario& scenario) {
  // Measured plans repeat themselves only where they can be kept.
  const bool kept = !FftCache::default_wisdom_folder().empty();
  return kept && scenario.text("run.fft_planning") == "measured" ? FftPlanning::kMeasure
                                                                 : FftPlanning::kEstimate;
}

}  // namespace cohlink
