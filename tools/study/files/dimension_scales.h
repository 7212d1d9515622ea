// What other programs label axes by: dimension scales (which data set holds an axis's coordinates) and units.
#pragma once

#include <string>
#include <vector>

#include "sim/signal/record/hdf5.h"

namespace cohlink {

/// Axis `i` of every data set in `datasets` has its coordinates in the data set scales[i].
struct DimensionScales {
  std::vector<std::string> scales;
  std::vector<std::string> datasets;
};

/// Attaches them in a file that holds all these data sets. Throws RunError when HDF5 refuses.
void attach_scales(h5::File& file, const DimensionScales& dimensions);

/// The unit of a data set as the attribute `unit`, and as `units`, by which xarray and other readers of the
/// CF conventions label their axes (CF Conventions 1.10, section 3.1). Nothing where it has none.
void write_unit(h5::File& file, const std::string& dataset, const std::string& unit);

}  // namespace cohlink
