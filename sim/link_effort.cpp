#include "sim/link_effort.h"

#include "sim/link_setup.h"
#include "sim/link_truth.h"
#include "sim/optical_path.h"

namespace cohlink {
namespace {

// Fields of two rows of complex doubles that a frame holds at its peak: 4.0 to 4.6 were seen, of one channel
// and of nine (largest resident set of simulate less that of an empty program, 2^19 to 2^22 samples).
constexpr double kFields = 4.5, kBytesOfSample = 32.0;

}  // namespace

LinkEffort link_effort(const Scenario& scenario) {
  const LinkSetup setup = link_setup(scenario);
  const PropagationPlan plan = plan_optical_path(setup, RandomStreams(setup.seed, 0));
  const PlanTotals path = totals(plan);
  const std::size_t samples = setup.transmitter.symbols * setup.transmitter.samples_per_symbol;
  return {samples, path.split_steps, path.adaptive_stretches,
          kFields * kBytesOfSample * static_cast<double>(samples) + jones_bytes(setup, plan)};
}

}  // namespace cohlink
