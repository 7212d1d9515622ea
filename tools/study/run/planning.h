// How hard FFT plans are searched for, as every program of ours decides it.
#pragma once

#include "sim/signal/execution/fft.h"
#include "sim/signal/scenario/scenario.h"

namespace cohlink {

/// As run.fft_planning says; estimated where no folder keeps measured plans.
FftPlanning planning_of(const Scenario& scenario);

}  // namespace cohlink
