#include "sim/signal/record/dimension_scales.h"

#include <hdf5_hl.h>

#include <cstdio>

#include "sim/signal/scenario/errors.h"

namespace cohlink {
namespace {

h5::Handle dataset(const h5::File& file, const std::string& name) {
  return {H5Dopen2(file.id(), name.c_str(), H5P_DEFAULT), H5Dclose};
}

bool make_scale(const h5::File& file, const std::string& name, const std::string& title) {
  const h5::Handle scale = dataset(file, name);
  return scale && H5DSset_scale(scale.get(), title.c_str()) >= 0;
}

bool attach(const h5::File& file, const std::string& name, const std::vector<std::string>& axes) {
  const h5::Handle data = dataset(file, name);
  for (std::size_t axis = 0; axis < axes.size(); ++axis) {
    const h5::Handle scale = dataset(file, axes[axis]);
    if (!data || !scale || H5DSattach_scale(data.get(), scale.get(), static_cast<unsigned>(axis)) < 0)
      return false;
  }
  return true;
}

void check(const h5::File& file, bool written) {
  if (!written) throw RunError(file.path(), "cannot write its dimension scales");
}

/// The title by which netCDF-4 knows a dimension that no variable describes.
std::string bare_title(std::size_t length) {
  char title[80];
  std::snprintf(title, sizeof title, "This is a netCDF dimension but not a netCDF variable.%10zu", length);
  return title;
}

}  // namespace

void attach_scales(h5::File& file, const DimensionScales& dimensions) {
  for (const auto& scale : dimensions.scales) check(file, make_scale(file, scale, scale));
  for (const auto& name : dimensions.datasets) check(file, attach(file, name, dimensions.scales));
}

void write_unit(h5::File& file, const std::string& dataset, const std::string& unit) {
  if (unit.empty()) return;
  for (const char* name : {"unit", "units"}) file.attribute(dataset, name, unit);
}

void Axes::labelled(const std::string& axis, const std::vector<std::string>& labels) {
  file_.write_texts(axis, labels);
  check(file_, make_scale(file_, axis, axis));
  scales_.insert(axis);
}

void Axes::attach(const std::string& dataset, const std::vector<std::string>& axes) {
  const h5::Shape shape = file_.shape(dataset);
  for (std::size_t i = 0; i < axes.size(); ++i) {
    if (!scales_.insert(axes[i]).second) continue;
    const bool described = file_.has(axes[i]);
    if (!described) file_.reserve(axes[i], {shape.at(i)});
    check(file_, make_scale(file_, axes[i], described ? axes[i] : bare_title(shape.at(i))));
  }
  if (axes.front() != dataset) check(file_, cohlink::attach(file_, dataset, axes));
}

}  // namespace cohlink
