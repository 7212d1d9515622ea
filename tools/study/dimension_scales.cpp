#include "tools/study/dimension_scales.h"

#include <hdf5_hl.h>
#include <unistd.h>

#include <filesystem>

#include "sim/signal/errors.h"

namespace cohlink {
namespace {

h5::Handle dataset(const h5::Handle& file, const std::string& name) {
  return {H5Dopen2(file.get(), name.c_str(), H5P_DEFAULT), H5Dclose};
}

bool attach(const h5::Handle& file, const DimensionScales& dimensions) {
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

void attach_in_file(const std::string& path, const std::string& final_name,
                    const DimensionScales& dimensions) {
  h5::Handle file(H5Fopen(path.c_str(), H5F_ACC_RDWR, H5P_DEFAULT), H5Fclose);
  const bool attached = file && attach(file, dimensions) && H5Fflush(file.get(), H5F_SCOPE_GLOBAL) >= 0;
  if (!file.reset() || !attached)
    throw RunError(final_name + ": cannot write its dimension scales (disk full or file system error?)");
}

}  // namespace

void create_with_scales(const std::string& path, const std::function<void(h5::File&)>& fill,
                        const DimensionScales& dimensions) {
  const std::string beside = path + ".unscaled" + std::to_string(getpid());
  std::error_code error;
  try {
    h5::File::create(beside, fill);
    attach_in_file(beside, path, dimensions);
    std::filesystem::rename(beside, path, error);
    if (error) throw RunError(path + ": cannot be replaced: " + error.message());
  } catch (...) {
    std::filesystem::remove(beside, error);
    throw;
  }
}

}  // namespace cohlink
