// What other programs label axes by: dimension scales (which data set holds an axis's coordinates) and units.
#pragma once

#include <set>
#include <string>
#include <utility>
#include <vector>

#include "sim/signal/record/hdf5_write.h"

namespace cohlink {

/// Axis `i` of every data set in `datasets` has its coordinates in the data set scales[i].
struct DimensionScales {
  std::vector<std::string> scales;
  std::vector<std::string> datasets;
};

/// Data sets and the axis of each of their dimensions.
using Attachments = std::vector<std::pair<std::string, std::vector<std::string>>>;

/// Attaches them in a file that holds all these data sets. Throws RunError when HDF5 refuses.
void attach_scales(h5::NewFile& file, const DimensionScales& dimensions);

/// The unit of a data set as the attribute `unit`, and as `units`, by which xarray and other readers of the
/// CF conventions label their axes (CF Conventions 1.10, section 3.1). Nothing where it has none.
void write_unit(h5::NewFile& file, const std::string& dataset, const std::string& unit);

/// Names the axes of data sets in a file that is being written, each axis once for all data sets that share
/// it. Throws RunError when HDF5 refuses.
class Axes {
 public:
  explicit Axes(h5::NewFile& file) : file_(file) {}

  /// An axis whose places have names.
  void labelled(const std::string& axis, const std::vector<std::string>& labels);

  /// One axis for each dimension of `dataset`. An axis that the file has no data set for becomes one without
  /// coordinates and without storage, as long as the dimension: what netCDF-4 keeps dimensions in
  /// (NetCDF-4 File Format, "Dimensions"). Coordinates name themselves as their axis.
  void attach(const std::string& dataset, const std::vector<std::string>& axes);

  /// Writes which data sets have which axes: once, when all are there.
  void finish();

 private:
  h5::NewFile& file_;
  std::set<std::string> scales_;
  Attachments attachments_;
};

}  // namespace cohlink
