// Dimension scales: which data set holds the coordinates of which axis, so that other programs label axes.
#pragma once

#include <functional>
#include <string>
#include <vector>

#include "sim/signal/hdf5.h"

namespace cohlink {

/// Axis `i` of every data set in `datasets` has its coordinates in the data set scales[i].
struct DimensionScales {
  std::vector<std::string> scales;
  std::vector<std::string> datasets;
};

/// As h5::File::create, with dimension scales attached before the file gets its name.
void create_with_scales(const std::string& path, const std::function<void(h5::File&)>& fill,
                        const DimensionScales& dimensions);

}  // namespace cohlink
