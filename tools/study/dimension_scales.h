// Dimension scales: which data set holds the coordinates of which axis, so that other programs label axes.
#pragma once

#include <string>
#include <vector>

#include "sim/signal/hdf5.h"

namespace cohlink {

/// Axis `i` of every data set in `datasets` has its coordinates in the data set scales[i].
struct DimensionScales {
  std::vector<std::string> scales;
  std::vector<std::string> datasets;
};

/// Attaches them in a file that holds all these data sets. Throws RunError when HDF5 refuses.
void attach_scales(h5::File& file, const DimensionScales& dimensions);

}  // namespace cohlink
