// The numbers of the hardware's truth one by one, under the names that files have them by.
#pragma once

#include <functional>
#include <string>
#include <vector>

#include "sim/signal/record/hardware_truth.h"
#include "sim/signal/record/hdf5.h"

namespace cohlink {

/// One number or array: row-major values; no lengths in the shape: a single value.
struct TruthNumber {
  std::string name, unit;
  h5::Shape shape;
  std::vector<double> values;
};

/// All that are present, in the order of docs/capture-format.md.
std::vector<TruthNumber> numbers_of(const TransmitterTruth& truth);
std::vector<TruthNumber> numbers_of(const FrontendTruth& truth);
std::vector<TruthNumber> numbers_of(const LaneTruth& truth);

}  // namespace cohlink
