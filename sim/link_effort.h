// What a frame of a link takes, before any work.
#pragma once

#include <cstddef>

#include "sim/signal/scenario/scenario.h"

namespace cohlink {

struct LinkEffort {
  std::size_t samples = 0;             ///< of the light, of each polarisation
  std::size_t split_steps = 0;         ///< fixed ones
  std::size_t adaptive_stretches = 0;  ///< whose steps are known when they are made
  double bytes = 0.0;                  ///< of memory at the most, about: within a third of what was seen
};

/// InputError as Link.
LinkEffort link_effort(const Scenario& scenario);

}  // namespace cohlink
