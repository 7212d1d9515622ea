#include "sim/signal/record/hdf5.h"

#include <algorithm>
#include <string_view>
#include <utility>

#include "sim/signal/record/atomic_file.h"
#include "sim/signal/record/hdf5_types.h"
#include "sim/signal/record/seal.h"

namespace cohlink::h5 {
namespace {

[[noreturn]] void write_failed(const std::string& path, const std::string& object) {
  throw RunError(path, "cannot write " + object + " (disk full or file system error?)");
}

Handle text_type(std::size_t length) {
  Handle type(H5Tcopy(H5T_C_S1), H5Tclose);
  H5Tset_size(type.get(), std::max<std::size_t>(1, length));
  H5Tset_strpad(type.get(), H5T_STR_NULLPAD);
  H5Tset_cset(type.get(), H5T_CSET_UTF8);
  return type;
}

Handle scalar_space() { return Handle(H5Screate(H5S_SCALAR), H5Sclose); }

Handle simple_space(const Shape& shape) {
  const std::vector<hsize_t> sizes(shape.begin(), shape.end());
  return Handle(H5Screate_simple(static_cast<int>(sizes.size()), sizes.data(), nullptr), H5Sclose);
}

std::size_t count_of(const Shape& shape) {
  std::size_t count = 1;
  for (const std::size_t n : shape) count *= n;
  return count;
}

// Creates the groups on the way to "/a/b/c" as needed.
Handle create_dataset(hid_t file, const std::string& name, const Handle& type, const Handle& space) {
  // Made once, and left to the library, which may end before our statics do.
  static const hid_t links = [] {
    const hid_t list = H5Pcreate(H5P_LINK_CREATE);
    H5Pset_create_intermediate_group(list, 1);
    return list;
  }();
  // Without time stamps: the same content gives the same file to the last byte.
  static const hid_t creation = [] {
    const hid_t list = H5Pcreate(H5P_DATASET_CREATE);
    H5Pset_obj_track_times(list, false);
    return list;
  }();
  return Handle(H5Dcreate2(file, name.c_str(), type.get(), space.get(), links, creation, H5P_DEFAULT),
                H5Dclose);
}

// A file in memory grows by this much, all of it zeroed before it is filled: of the size of a short capture.
constexpr std::size_t kMemoryIncrement = std::size_t{256} << 10;
constexpr std::size_t kRoomForSeal = 64;

std::string file_image(const std::string& path, const Handle& file) {
  if (H5Fflush(file.get(), H5F_SCOPE_GLOBAL) < 0) write_failed(path, "the file's end");
  const auto size = H5Fget_file_image(file.get(), nullptr, 0);
  std::string image;
  image.reserve(size > 0 ? static_cast<std::size_t>(size) + kRoomForSeal : 0);
  image.resize(size > 0 ? static_cast<std::size_t>(size) : 0);
  if (size <= 0 || H5Fget_file_image(file.get(), image.data(), image.size()) != size)
    write_failed(path, "the file");
  return image;
}

}  // namespace

Handle& Handle::operator=(Handle&& other) noexcept {
  std::swap(id_, other.id_);
  std::swap(close_, other.close_);
  return *this;
}

bool Handle::reset() {
  const bool closed = id_ < 0 || close_(id_) >= 0;
  id_ = -1;
  return closed;
}

void File::create(const std::string& path, const std::function<void(File&)>& fill) {
  silence();
  output_target(path);  // said before any work, and before HDF5 tries to open what is there
  // Built in memory and written in one go: on a full disk HDF5 can neither finish a file nor let go of it.
  const Handle in_memory(H5Pcreate(H5P_FILE_ACCESS), H5Pclose);
  H5Pset_fapl_core(in_memory.get(), kMemoryIncrement, false);
  H5Pset_sieve_buf_size(in_memory.get(), 0);  // what is in memory needs no buffer before it
  Handle handle(H5Fcreate(path.c_str(), H5F_ACC_TRUNC, H5P_DEFAULT, in_memory.get()), H5Fclose);
  if (!handle) throw RunError(path, "cannot be created");
  File file(path, std::move(handle));
  fill(file);
  file.kept_open_.clear();
  std::string image = file_image(path, file.file_);
  image += seal_of(image);
  write_atomically(path, image);
}

hid_t File::opened(const std::string& object) {
  const auto found = kept_open_.find(object);
  if (found != kept_open_.end()) return found->second.get();
  Handle handle(H5Oopen(file_.get(), object.c_str(), H5P_DEFAULT), H5Oclose);
  if (!handle) write_failed(path_, object);
  return kept_open_.emplace(object, std::move(handle)).first->second.get();
}

void File::put(const std::string& dataset, const Handle& type, const Handle& space, const void* values) {
  Handle data = create_dataset(file_.get(), dataset, type, space);
  if (!data) write_failed(path_, dataset);
  if (values != nullptr && H5Dwrite(data.get(), type.get(), H5S_ALL, H5S_ALL, H5P_DEFAULT, values) < 0)
    write_failed(path_, dataset);
  kept_open_.emplace(dataset, std::move(data));
}

template <class T>
void File::write(const std::string& dataset, std::span<const T> values, const Shape& shape) {
  if (count_of(shape) != values.size()) throw std::logic_error("shape and values differ: " + dataset);
  put(dataset, memory_type<T>(), simple_space(shape), values.data());
}

void File::write_scalar(const std::string& dataset, double value) {
  put(dataset, memory_type<double>(), scalar_space(), &value);
}

void File::reserve(const std::string& dataset, const Shape& shape) {
  put(dataset, memory_type<std::uint8_t>(), simple_space(shape), nullptr);
}

void File::write_text(const std::string& dataset, const std::string& text) {
  put(dataset, text_type(text.size()), scalar_space(), text.c_str());  // an empty text is one zero
}

void File::write_texts(const std::string& dataset, const std::vector<std::string>& texts) {
  std::size_t longest = 1;
  for (const auto& text : texts) longest = std::max(longest, text.size());
  std::string rows;
  for (const auto& text : texts) rows += text + std::string(longest - text.size(), '\0');
  put(dataset, text_type(longest), simple_space({texts.size()}), rows.data());
}

void File::put_attribute(const std::string& object, const std::string& name, const Handle& type,
                         const Handle& space, const void* value) {
  const Handle attribute(
      H5Acreate2(opened(object), name.c_str(), type.get(), space.get(), H5P_DEFAULT, H5P_DEFAULT), H5Aclose);
  if (!attribute || H5Awrite(attribute.get(), type.get(), value) < 0)
    write_failed(path_, object + "@" + name);
}

void File::attribute(const std::string& object, const std::string& name, const std::string& text) {
  put_attribute(object, name, text_type(text.size()), scalar_space(), text.c_str());
}
void File::attribute(const std::string& object, const std::string& name, double value) {
  put_attribute(object, name, memory_type<double>(), scalar_space(), &value);
}
void File::attribute(const std::string& object, const std::string& name, std::uint64_t value) {
  put_attribute(object, name, memory_type<std::uint64_t>(), scalar_space(), &value);
}
void File::attribute(const std::string& object, const std::string& name, std::span<const double> values) {
  put_attribute(object, name, memory_type<double>(), simple_space({values.size()}), values.data());
}

#define COHLINK_H5_INSTANTIATE(T) \
  template void File::write<T>(const std::string&, std::span<const T>, const Shape&);
COHLINK_H5_INSTANTIATE(std::int16_t)
COHLINK_H5_INSTANTIATE(std::uint8_t)
COHLINK_H5_INSTANTIATE(std::int64_t)
COHLINK_H5_INSTANTIATE(std::uint64_t)
COHLINK_H5_INSTANTIATE(float)
COHLINK_H5_INSTANTIATE(double)
COHLINK_H5_INSTANTIATE(std::complex<float>)
COHLINK_H5_INSTANTIATE(std::complex<double>)
#undef COHLINK_H5_INSTANTIATE

}  // namespace cohlink::h5
