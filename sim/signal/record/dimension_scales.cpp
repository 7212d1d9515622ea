#include "sim/signal/record/dimension_scales.h"

#include <hdf5_hl.h>

#include <cstddef>
#include <cstdio>
#include <map>

#include "sim/signal/scenario/errors.h"

namespace cohlink {
namespace {

void make_scale(h5::NewFile& file, const std::string& name, const std::string& title) {
  file.once("scale " + name + " " + title,
            [&] { return H5DSset_scale(file.opened(name), title.c_str()) >= 0; });
}

hobj_ref_t reference_to(h5::NewFile& file, const std::string& name) {
  hobj_ref_t reference{};
  if (H5Rcreate(&reference, file.opened(name), ".", H5R_OBJECT, -1) < 0)
    throw RunError(file.path(), "cannot write its dimension scales");
  return reference;
}

bool write_list(hid_t dataset, const char* name, const h5::Handle& type, std::size_t count,
                const void* values) {
  const hsize_t size = count;
  const h5::Handle space(H5Screate_simple(1, &size, nullptr), H5Sclose);
  const h5::Handle list(H5Acreate2(dataset, name, type.get(), space.get(), H5P_DEFAULT, H5P_DEFAULT),
                        H5Aclose);
  return list && H5Awrite(list.get(), type.get(), values) >= 0;
}

/// Where a scale serves: a data set and which of its dimensions. As the library lays it.
struct Served {
  hobj_ref_t dataset;
  int dimension;
  int unused = 0;  // bytes of the file: the same in every one
};

bool write_served(h5::NewFile& file, const std::string& scale, const std::vector<Served>& served) {
  const h5::Handle type(H5Tcreate(H5T_COMPOUND, sizeof(Served)), H5Tclose);
  H5Tinsert(type.get(), "dataset", offsetof(Served, dataset), H5T_STD_REF_OBJ);
  H5Tinsert(type.get(), "dimension", offsetof(Served, dimension), H5T_NATIVE_INT);
  return write_list(file.opened(scale), REFERENCE_LIST, type, served.size(), served.data());
}

/// Both sides of every attachment, each written once (HDF5 Dimension Scale Specification): H5DSattach_scale
/// reads and writes a scale's whole list again for each data set, a quarter of the time a short capture
/// takes that is made from nothing.
bool write_both_sides(h5::NewFile& file, const Attachments& attachments) {
  const h5::Handle type(H5Tvlen_create(H5T_STD_REF_OBJ), H5Tclose);
  std::map<std::string, hobj_ref_t> scales;
  std::map<std::string, std::vector<Served>> served;
  for (const auto& [dataset, axes] : attachments) {
    std::vector<hvl_t> list;
    for (const std::string& axis : axes) {
      if (!scales.contains(axis)) scales[axis] = reference_to(file, axis);
      list.push_back({1, &scales[axis]});
    }
    if (!write_list(file.opened(dataset), DIMENSION_LIST, type, list.size(), list.data())) return false;
    const hobj_ref_t reference = reference_to(file, dataset);
    for (std::size_t axis = 0; axis < axes.size(); ++axis)
      served[axes[axis]].push_back({reference, static_cast<int>(axis), 0});
  }
  for (const auto& [scale, datasets] : served)
    if (!write_served(file, scale, datasets)) return false;
  return true;
}

void write_attachments(h5::NewFile& file, const Attachments& attachments) {
  std::string all;
  for (const auto& [dataset, axes] : attachments) {
    all += "\n" + dataset;
    for (const std::string& axis : axes) all += " " + axis;
  }
  file.once("axes" + all, [&] { return write_both_sides(file, attachments); });
}

/// The title by which netCDF-4 knows a dimension that no variable describes.
std::string bare_title(std::size_t length) {
  char title[80];
  std::snprintf(title, sizeof title, "This is a netCDF dimension but not a netCDF variable.%10zu", length);
  return title;
}

}  // namespace

void attach_scales(h5::NewFile& file, const DimensionScales& dimensions) {
  for (const auto& scale : dimensions.scales) make_scale(file, scale, scale);
  Attachments attachments;
  for (const auto& name : dimensions.datasets) attachments.emplace_back(name, dimensions.scales);
  write_attachments(file, attachments);
}

void write_unit(h5::NewFile& file, const std::string& dataset, const std::string& unit) {
  if (unit.empty()) return;
  for (const char* name : {"unit", "units"}) file.attribute(dataset, name, unit);
}

void Axes::labelled(const std::string& axis, const std::vector<std::string>& labels) {
  file_.write_texts(axis, labels);
  make_scale(file_, axis, axis);
  scales_.insert(axis);
}

void Axes::attach(const std::string& dataset, const std::vector<std::string>& axes) {
  for (std::size_t i = 0; i < axes.size(); ++i) {
    if (!scales_.insert(axes[i]).second) continue;
    const bool described = file_.has(axes[i]);
    const std::size_t length = file_.shape(dataset).at(i);
    if (!described) file_.reserve(axes[i], {length});
    make_scale(file_, axes[i], described ? axes[i] : bare_title(length));
  }
  if (axes.front() != dataset) attachments_.emplace_back(dataset, axes);
}

void Axes::finish() { write_attachments(file_, attachments_); }

}  // namespace cohlink
