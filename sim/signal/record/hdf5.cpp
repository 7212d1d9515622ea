#include "sim/signal/record/hdf5.h"

#include <cstring>
#include <filesystem>
#include <string_view>

#include "sim/signal/record/atomic_file.h"
#include "sim/signal/scenario/errors.h"

namespace cohlink::h5 {
namespace {

[[noreturn]] void write_failed(const std::string& path, const std::string& object) {
  throw RunError(path + ": cannot write " + object + " (disk full or file system error?)");
}
[[noreturn]] void read_failed(const std::string& path, const std::string& why) {
  throw InputError(path + ": " + why);
}

// HDF5 prints its error stack by default; our messages replace it.
void silence() {
  static const bool once = H5Eset_auto2(H5E_DEFAULT, nullptr, nullptr) >= 0;
  (void)once;
}

template <class Real>
Handle complex_type() {
  Handle type(H5Tcreate(H5T_COMPOUND, 2 * sizeof(Real)), H5Tclose);
  const hid_t part = sizeof(Real) == sizeof(float) ? H5T_NATIVE_FLOAT : H5T_NATIVE_DOUBLE;
  H5Tinsert(type.get(), "r", 0, part);
  H5Tinsert(type.get(), "i", sizeof(Real), part);
  return type;
}

template <class T>
Handle memory_type() {
  if constexpr (std::is_same_v<T, std::complex<float>>)
    return complex_type<float>();
  else if constexpr (std::is_same_v<T, std::complex<double>>)
    return complex_type<double>();
  else if constexpr (std::is_same_v<T, std::int16_t>)
    return Handle(H5Tcopy(H5T_NATIVE_INT16), H5Tclose);
  else if constexpr (std::is_same_v<T, std::uint8_t>)
    return Handle(H5Tcopy(H5T_NATIVE_UINT8), H5Tclose);
  else if constexpr (std::is_same_v<T, std::int64_t>)
    return Handle(H5Tcopy(H5T_NATIVE_INT64), H5Tclose);
  else if constexpr (std::is_same_v<T, std::uint64_t>)
    return Handle(H5Tcopy(H5T_NATIVE_UINT64), H5Tclose);
  else if constexpr (std::is_same_v<T, float>)
    return Handle(H5Tcopy(H5T_NATIVE_FLOAT), H5Tclose);
  else
    return Handle(H5Tcopy(H5T_NATIVE_DOUBLE), H5Tclose);
}

Handle text_type() {
  Handle type(H5Tcopy(H5T_C_S1), H5Tclose);
  H5Tset_size(type.get(), H5T_VARIABLE);
  H5Tset_cset(type.get(), H5T_CSET_UTF8);
  return type;
}

Handle scalar_space() { return Handle(H5Screate(H5S_SCALAR), H5Sclose); }

Handle simple_space(const Shape& shape) {
  const std::vector<hsize_t> sizes(shape.begin(), shape.end());
  return Handle(H5Screate_simple(static_cast<int>(sizes.size()), sizes.data(), nullptr), H5Sclose);
}

// Creates the groups on the way to "/a/b/c" as needed.
Handle create_dataset(hid_t file, const std::string& name, const Handle& type, const Handle& space) {
  const Handle links(H5Pcreate(H5P_LINK_CREATE), H5Pclose);
  H5Pset_create_intermediate_group(links.get(), 1);
  // Without time stamps: the same content gives the same file to the last byte.
  const Handle creation(H5Pcreate(H5P_DATASET_CREATE), H5Pclose);
  H5Pset_obj_track_times(creation.get(), false);
  return Handle(
      H5Dcreate2(file, name.c_str(), type.get(), space.get(), links.get(), creation.get(), H5P_DEFAULT),
      H5Dclose);
}

void write_attribute(hid_t file, const std::string& path, const std::string& object, const std::string& name,
                     const Handle& type, const Handle& space, const void* data) {
  const Handle target(H5Oopen(file, object.c_str(), H5P_DEFAULT), H5Oclose);
  const Handle attribute(
      H5Acreate2(target.get(), name.c_str(), type.get(), space.get(), H5P_DEFAULT, H5P_DEFAULT), H5Aclose);
  if (!attribute || H5Awrite(attribute.get(), type.get(), data) < 0) write_failed(path, object + "@" + name);
}

// Text of a data set or attribute, of variable or fixed length.
template <class Read>
std::string read_string(const Handle& stored, Read read) {
  if (!stored || H5Tget_class(stored.get()) != H5T_STRING) return "";
  if (H5Tis_variable_str(stored.get()) > 0) {
    char* text = nullptr;
    const Handle type(H5Tcopy(stored.get()), H5Tclose);
    if (read(type.get(), &text) < 0 || text == nullptr) return "";
    std::string out(text);
    H5free_memory(text);
    return out;
  }
  std::string out(H5Tget_size(stored.get()), '\0');
  if (read(stored.get(), out.data()) < 0) return "";
  return out.c_str();
}

Shape extent(hid_t space) {
  const int rank = H5Sget_simple_extent_ndims(space);
  std::vector<hsize_t> sizes(rank > 0 ? static_cast<std::size_t>(rank) : 0);
  if (rank > 0) H5Sget_simple_extent_dims(space, sizes.data(), nullptr);
  return Shape(sizes.begin(), sizes.end());
}

std::size_t count_of(const Shape& shape) {
  std::size_t count = 1;
  for (const std::size_t n : shape) count *= n;
  return count;
}

constexpr std::size_t kMemoryIncrement = std::size_t{4} << 20;  // a file in memory grows by this much

std::vector<char> file_image(const std::string& path, const Handle& file) {
  if (H5Fflush(file.get(), H5F_SCOPE_GLOBAL) < 0) write_failed(path, "the file's end");
  const auto size = H5Fget_file_image(file.get(), nullptr, 0);
  std::vector<char> image(size > 0 ? static_cast<std::size_t>(size) : 0);
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

File File::open(const std::string& path) {
  silence();
  if (!std::filesystem::exists(path)) read_failed(path, "no such file");
  if (std::filesystem::is_directory(path)) read_failed(path, "is a folder, not a file");
  if (!std::filesystem::is_regular_file(path))
    read_failed(path, "is not a regular file; HDF5 cannot be read from a pipe or a device");
  if (H5Fis_hdf5(path.c_str()) <= 0) read_failed(path, "not an HDF5 file (or cannot be read)");
  Handle file(H5Fopen(path.c_str(), H5F_ACC_RDONLY, H5P_DEFAULT), H5Fclose);
  if (!file) read_failed(path, "an HDF5 file, but truncated or damaged");
  return File(path, std::move(file));
}

void File::create(const std::string& path, const std::function<void(File&)>& fill) {
  silence();
  output_target(path);  // said before any work, and before HDF5 tries to open what is there
  // Built in memory and written in one go: on a full disk HDF5 can neither finish a file nor let go of it.
  const Handle in_memory(H5Pcreate(H5P_FILE_ACCESS), H5Pclose);
  H5Pset_fapl_core(in_memory.get(), kMemoryIncrement, false);
  Handle handle(H5Fcreate(path.c_str(), H5F_ACC_TRUNC, H5P_DEFAULT, in_memory.get()), H5Fclose);
  if (!handle) throw RunError(path + ": cannot be created");
  File file(path, std::move(handle));
  fill(file);
  const std::vector<char> image = file_image(path, file.file_);
  write_atomically(path, std::string_view(image.data(), image.size()));
}

bool File::has(const std::string& object) const {
  // Every group on the way must exist, or HDF5 calls it an error.
  for (std::size_t slash = object.find('/', 1); slash != std::string::npos;
       slash = object.find('/', slash + 1)) {
    if (H5Lexists(file_.get(), object.substr(0, slash).c_str(), H5P_DEFAULT) <= 0) return false;
  }
  return object == "/" || H5Lexists(file_.get(), object.c_str(), H5P_DEFAULT) > 0;
}

std::vector<std::string> File::children(const std::string& group) const {
  std::vector<std::string> names;
  const Handle opened(H5Gopen2(file_.get(), group.c_str(), H5P_DEFAULT), H5Gclose);
  if (!opened) return names;
  const auto add = [](hid_t, const char* name, const H5L_info_t*, void* out) {
    static_cast<std::vector<std::string>*>(out)->push_back(name);
    return herr_t{0};
  };
  H5Literate(opened.get(), H5_INDEX_NAME, H5_ITER_INC, nullptr, add, &names);
  return names;
}

template <class T>
void File::write(const std::string& dataset, std::span<const T> values, const Shape& shape) {
  if (count_of(shape) != values.size()) throw std::logic_error("shape and values differ: " + dataset);
  const Handle type = memory_type<T>();
  const Handle data = create_dataset(file_.get(), dataset, type, simple_space(shape));
  if (!data || H5Dwrite(data.get(), type.get(), H5S_ALL, H5S_ALL, H5P_DEFAULT, values.data()) < 0)
    write_failed(path_, dataset);
}

void File::write_scalar(const std::string& dataset, double value) {
  const Handle type = memory_type<double>();
  const Handle data = create_dataset(file_.get(), dataset, type, scalar_space());
  if (!data || H5Dwrite(data.get(), type.get(), H5S_ALL, H5S_ALL, H5P_DEFAULT, &value) < 0)
    write_failed(path_, dataset);
}

void File::write_text(const std::string& dataset, const std::string& text) {
  const Handle type = text_type();
  const Handle data = create_dataset(file_.get(), dataset, type, scalar_space());
  const char* pointer = text.c_str();
  if (!data || H5Dwrite(data.get(), type.get(), H5S_ALL, H5S_ALL, H5P_DEFAULT, &pointer) < 0)
    write_failed(path_, dataset);
}

void File::write_texts(const std::string& dataset, const std::vector<std::string>& texts) {
  const Handle type = text_type();
  const Handle data = create_dataset(file_.get(), dataset, type, simple_space({texts.size()}));
  std::vector<const char*> pointers;
  for (const auto& text : texts) pointers.push_back(text.c_str());
  if (!data || H5Dwrite(data.get(), type.get(), H5S_ALL, H5S_ALL, H5P_DEFAULT, pointers.data()) < 0)
    write_failed(path_, dataset);
}

void File::attribute(const std::string& object, const std::string& name, const std::string& text) {
  const char* pointer = text.c_str();
  write_attribute(file_.get(), path_, object, name, text_type(), scalar_space(), &pointer);
}
void File::attribute(const std::string& object, const std::string& name, double value) {
  write_attribute(file_.get(), path_, object, name, memory_type<double>(), scalar_space(), &value);
}
void File::attribute(const std::string& object, const std::string& name, std::uint64_t value) {
  write_attribute(file_.get(), path_, object, name, memory_type<std::uint64_t>(), scalar_space(), &value);
}
void File::attribute(const std::string& object, const std::string& name, std::span<const double> values) {
  write_attribute(file_.get(), path_, object, name, memory_type<double>(), simple_space({values.size()}),
                  values.data());
}

Shape File::shape(const std::string& dataset) const {
  const Handle data(has(dataset) ? H5Dopen2(file_.get(), dataset.c_str(), H5P_DEFAULT) : -1, H5Dclose);
  if (!data) read_failed(path_, "has no data set " + dataset);
  return extent(Handle(H5Dget_space(data.get()), H5Sclose).get());
}

bool File::fits_int16(const std::string& dataset) const {
  const Handle data(H5Dopen2(file_.get(), dataset.c_str(), H5P_DEFAULT), H5Dclose);
  const Handle type(H5Dget_type(data.get()), H5Tclose);
  if (!type || H5Tget_class(type.get()) != H5T_INTEGER) return false;
  const std::size_t bytes = H5Tget_size(type.get());
  return bytes < 2 || (bytes == 2 && H5Tget_sign(type.get()) == H5T_SGN_2);
}

template <class T>
std::vector<T> File::read(const std::string& dataset) const {
  std::vector<T> values(count_of(shape(dataset)));
  const Handle data(H5Dopen2(file_.get(), dataset.c_str(), H5P_DEFAULT), H5Dclose);
  const Handle type = memory_type<T>();
  if (H5Dread(data.get(), type.get(), H5S_ALL, H5S_ALL, H5P_DEFAULT, values.data()) < 0) {
    read_failed(path_, "data set " + dataset + " cannot be read (truncated, or of another type)");
  }
  return values;
}

double File::read_scalar(const std::string& dataset) const {
  const auto values = read<double>(dataset);
  if (values.size() != 1) read_failed(path_, "data set " + dataset + " is not a single number");
  return values.front();
}

std::string File::read_text(const std::string& dataset) const {
  const Handle data(has(dataset) ? H5Dopen2(file_.get(), dataset.c_str(), H5P_DEFAULT) : -1, H5Dclose);
  if (!data) read_failed(path_, "has no data set " + dataset);
  return read_string(Handle(H5Dget_type(data.get()), H5Tclose), [&](hid_t type, void* out) {
    return H5Dread(data.get(), type, H5S_ALL, H5S_ALL, H5P_DEFAULT, out);
  });
}

std::vector<std::string> File::read_texts(const std::string& dataset) const {
  const Handle data(has(dataset) ? H5Dopen2(file_.get(), dataset.c_str(), H5P_DEFAULT) : -1, H5Dclose);
  if (!data) read_failed(path_, "has no data set " + dataset);
  const Handle stored(H5Dget_type(data.get()), H5Tclose);
  if (H5Tget_class(stored.get()) != H5T_STRING || H5Tis_variable_str(stored.get()) <= 0)
    read_failed(path_, dataset + " is not a list of texts");
  std::vector<char*> raw(count_of(shape(dataset)), nullptr);
  const Handle type(H5Tcopy(stored.get()), H5Tclose);
  if (!raw.empty() && H5Dread(data.get(), type.get(), H5S_ALL, H5S_ALL, H5P_DEFAULT, raw.data()) < 0)
    read_failed(path_, dataset + " cannot be read");
  std::vector<std::string> texts;
  for (char* text : raw) {
    texts.emplace_back(text == nullptr ? "" : text);
    if (text != nullptr) H5free_memory(text);
  }
  return texts;
}

std::vector<std::string> File::attributes(const std::string& object) const {
  std::vector<std::string> names;
  const Handle opened(H5Oopen(file_.get(), object.c_str(), H5P_DEFAULT), H5Oclose);
  if (!opened) return names;
  const auto add = [](hid_t, const char* name, const H5A_info_t*, void* out) {
    static_cast<std::vector<std::string>*>(out)->push_back(name);
    return herr_t{0};
  };
  H5Aiterate2(opened.get(), H5_INDEX_NAME, H5_ITER_INC, nullptr, add, &names);
  return names;
}

bool File::has_attribute(const std::string& object, const std::string& name) const {
  return has(object) && H5Aexists_by_name(file_.get(), object.c_str(), name.c_str(), H5P_DEFAULT) > 0;
}

std::string File::attribute_text(const std::string& object, const std::string& name) const {
  if (!has_attribute(object, name)) read_failed(path_, "has no attribute " + object + "@" + name);
  const Handle attribute(H5Aopen_by_name(file_.get(), object.c_str(), name.c_str(), H5P_DEFAULT, H5P_DEFAULT),
                         H5Aclose);
  return read_string(Handle(H5Aget_type(attribute.get()), H5Tclose),
                     [&](hid_t type, void* out) { return H5Aread(attribute.get(), type, out); });
}

std::vector<double> File::attribute_numbers(const std::string& object, const std::string& name) const {
  if (!has_attribute(object, name)) read_failed(path_, "has no attribute " + object + "@" + name);
  const Handle attribute(H5Aopen_by_name(file_.get(), object.c_str(), name.c_str(), H5P_DEFAULT, H5P_DEFAULT),
                         H5Aclose);
  std::vector<double> values(count_of(extent(Handle(H5Aget_space(attribute.get()), H5Sclose).get())));
  if (H5Aread(attribute.get(), H5T_NATIVE_DOUBLE, values.data()) < 0) {
    read_failed(path_, "attribute " + object + "@" + name + " is not a number");
  }
  return values;
}

double File::attribute_number(const std::string& object, const std::string& name) const {
  const auto values = attribute_numbers(object, name);
  if (values.size() != 1) read_failed(path_, "attribute " + object + "@" + name + " is not a single number");
  return values.front();
}

#define COHLINK_H5_INSTANTIATE(T)                                                     \
  template void File::write<T>(const std::string&, std::span<const T>, const Shape&); \
  template std::vector<T> File::read<T>(const std::string&) const;
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
