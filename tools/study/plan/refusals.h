// Scenarios and questions that a study would answer with something else than what was asked.
#pragma once

#include <string>
#include <vector>

#include "sim/signal/scenario/scenario.h"
#include "tools/study/files/draw.h"

namespace cohlink {

/// InputError for a scenario that describes a recording ([trace]): simulating it would simulate defaults.
void refuse_recording(const Scenario& scenario);

std::vector<std::string> keys_of(const std::vector<Draw>& draws);

/// InputError for samples that come less often than symbols: nothing can be received, and twice a symbol they
/// would fill any memory.
void refuse_sparse_samples(double sample_rate, const Scenario& scenario, const std::string& name);

/// InputError for a drawn key that no capture shows: a data set would bear it as a label of nothing.
void refuse_untouched_draws(const std::vector<Draw>& draws);

/// `origin`: who varies it, for the message. InputError when `key` is the OSNR and `measure` is found by
/// searching over it.
void refuse_varied_osnr(const std::string& key, const std::string& measure, const std::string& origin = "");

}  // namespace cohlink
