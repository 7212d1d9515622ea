// receive on recordings that a [trace] section describes.
#pragma once

#include <string>
#include <vector>

#include "rx/receiver.h"
#include "rx/recording/long_capture.h"
#include "sim/signal/scenario/scenario.h"

namespace cohlink {

struct ForeignResult {
  Capture head;  // the first piece: rates, lanes as used, whether symbols are known
  LongResult received;
};

/// Checks the lanes (faults are an InputError, warnings go to standard error), receives all of the recording,
/// and, where its head finds no lock, looks for lanes in the wrong places, says which, and goes on with them
/// put right. `files`: the scenario files, beside which the recording may lie.
ForeignResult receive_foreign(const Receiver& receiver, const Scenario& scenario,
                              const std::vector<std::string>& files);

/// The first piece alone, as a capture: for --cost and --knock-out.
Capture foreign_head(const Scenario& scenario, const std::vector<std::string>& files);

}  // namespace cohlink
