#include "sim/signal/record/dimension_scales.h"

#include <hdf5_hl.h>

#include <array>
#include <cstdio>
#include <stdexcept>

#include "sim/signal/scenario/errors.h"

namespace cohlink {
namespace {

bool make_scale(h5::File& file, const std::string& name, const std::string& title) {
  return H5DSset_scale(file.opened(name), title.c_str()) >= 0;
}

bool attach(h5::File& file, const std::string& name, const std::vector<std::string>& axes) {
  for (std::size_t axis = 0; axis < axes.size(); ++axis)
    if (H5DSattach_scale(file.opened(name), file.opened(axes[axis]), static_cast<unsigned>(axis)) < 0)
      return false;
  return true;
}

/// Places along an axis of a data set.
std::size_t length_of(h5::File& file, const std::string& dataset, std::size_t axis) {
  const h5::Handle space(H5Dget_space(file.opened(dataset)), H5Sclose);
  std::array<hsize_t, H5S_MAX_RANK> sizes{};
  const int rank = H5Sget_simple_extent_dims(space.get(), sizes.data(), nullptr);
  if (rank < 0 || axis >= static_cast<std::size_t>(rank))
    throw std::logic_error("more axes than dimensions: " + dataset);
  return static_cast<std::size_t>(sizes[axis]);
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
  for (std::size_t i = 0; i < axes.size(); ++i) {
    if (!scales_.insert(axes[i]).second) continue;
    const bool described = file_.has(axes[i]);
    const std::size_t length = length_of(file_, dataset, i);
    if (!described) file_.reserve(axes[i], {length});
    check(file_, make_scale(file_, axes[i], described ? axes[i] : bare_title(length)));
  }
  if (axes.front() != dataset) check(file_, cohlink::attach(file_, dataset, axes));
}

}  // namespace cohlink
