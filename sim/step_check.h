// How wrong the split steps are: one frame, propagated again at half the step.
#pragma once

#include <cstdint>

#include "sim/signal/execution/execution.h"
#include "sim/signal/scenario/scenario.h"

namespace cohlink {

/// The difference of the two runs (step doubling, after L. F. Richardson, Phil. Trans. R. Soc. A 210, 307,
/// 1911). A scheme of second order has 4/3 of it (2.5 dB more) as its own error, one
/// of higher order less.
struct StepCheck {
  double error_db = 0.0;  // power of the difference over that of the light, whole simulated band; negative
  double limited_snr_db =
      0.0;  // SNR it would limit the channel under test to: after the matched filter and the
            // best complex gain per polarisation, since carrier recovery takes that out
  std::uint64_t steps = 0, halved_steps = 0;  // split steps of each run
};

/// Sends frame (frame, point) of the scenario twice, with the same data, noise and birefringence. InputError
/// for a scenario without fibre spans.
StepCheck check_steps(const Scenario& scenario, std::uint64_t frame, std::uint64_t point,
                      const Execution& execution);

}  // namespace cohlink
