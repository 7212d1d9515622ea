#include "tools/study/files/dimension_scales.h"

#include <hdf5_hl.h>

#include "sim/signal/scenario/errors.h"

namespace cohlink {
namespace {

h5::Handle dataset(const h5::File& file, const std::string& name) {
  return {H5Dopen2(file.id(), name.c_str(), H5P_DEFAULT), H5Dclose};
}

bool attach(const h5::File& file, const DimensionScales& dimensions) {
  for (std::size_t axis = 0; axis < dimensions.scales.size(); ++axis) {
    const h5::Handle scale = dataset(file, dimensions.scales[axis]);
    if (!scale || H5DSset_scale(scale.get(), dimensions.scales[axis].c_str()) < 0) return false;
    for (const auto& name : dimensions.datasets) {
      const h5::Handle data = dataset(file, name);
      if (!data || H5DSattach_scale(data.get(), scale.get(), static_cast<unsigned>(axis)) < 0) return false;
    }
  }
  return true;
}

}  // namespace

void attach_scales(h5::File& file, const DimensionScales& dimensions) {
  if (!attach(file, dimensions)) throw RunError(file.path(), "cannot write its dimension scales");
}

void write_unit(h5::File& file, const std::string& dataset, const std::string& unit) {
  if (unit.empty()) return;
  for (const char* name : {"unit", "units"}) file.attribute(dataset, name, unit);
}

}  // namespace cohlink
