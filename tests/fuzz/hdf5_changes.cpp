#include "tests/fuzz/hdf5_changes.h"

#include <hdf5.h>

#include <array>
#include <cstdint>
#include <cstring>
#include <stdexcept>
#include <vector>

#include "sim/signal/record/hdf5.h"

namespace cohlink::fuzz {
namespace {

using h5::Handle;

/// Bytes of the script, one after the other; zeros behind its end.
class Script {
 public:
  explicit Script(const std::string& bytes) : bytes_(bytes) {}
  bool ended() const { return at_ >= bytes_.size(); }
  unsigned next() { return ended() ? 0 : static_cast<unsigned char>(bytes_[at_++]); }
  std::size_t below(std::size_t end) { return end == 0 ? 0 : (next() * 256u + next()) % end; }

 private:
  const std::string& bytes_;
  std::size_t at_ = 0;
};

std::vector<std::string> objects_in(hid_t file) {
  std::vector<std::string> names;
  const auto add = [](hid_t, const char* name, const H5O_info_t*, void* out) {
    static_cast<std::vector<std::string>*>(out)->emplace_back(name);
    return herr_t{0};
  };
  H5Ovisit2(file, H5_INDEX_NAME, H5_ITER_INC, add, &names, H5O_INFO_BASIC);
  return names;  // the first is ".", the root
}

std::vector<std::string> attributes_of(hid_t object) {
  std::vector<std::string> names;
  const auto add = [](hid_t, const char* name, const H5A_info_t*, void* out) {
    static_cast<std::vector<std::string>*>(out)->emplace_back(name);
    return herr_t{0};
  };
  H5Aiterate2(object, H5_INDEX_NAME, H5_ITER_INC, nullptr, add, &names);
  return names;
}

Handle text_type(std::size_t length) {
  Handle type(H5Tcopy(H5T_C_S1), H5Tclose);
  H5Tset_size(type.get(), length);
  return type;
}

Handle pair_type(const char* first, const char* second, hid_t part, std::size_t width) {
  Handle type(H5Tcreate(H5T_COMPOUND, 2 * width), H5Tclose);
  H5Tinsert(type.get(), first, 0, part);
  H5Tinsert(type.get(), second, width, part);
  return type;
}

Handle some_type(Script& script) {
  const auto copy = [](hid_t type) { return Handle(H5Tcopy(type), H5Tclose); };
  switch (script.below(16)) {
    case 0:
      return copy(H5T_NATIVE_INT8);
    case 1:
      return copy(H5T_NATIVE_UINT8);
    case 2:
      return copy(H5T_STD_I16BE);
    case 3:
      return copy(H5T_NATIVE_INT64);
    case 4:
      return copy(H5T_NATIVE_UINT64);
    case 5:
      return copy(H5T_NATIVE_FLOAT);
    case 6:
      return copy(H5T_NATIVE_DOUBLE);
    case 7:
      return text_type(1 + script.next());
    case 8:
      return text_type(1);
    case 9:
      return pair_type("r", "i", H5T_NATIVE_DOUBLE, 8);
    case 10:
      return pair_type("real", "imag", H5T_NATIVE_FLOAT, 4);
    case 11:
      return pair_type("i", "r", H5T_NATIVE_INT16, 2);
    case 12:
      return Handle(H5Tcreate(H5T_OPAQUE, 1 + script.next()), H5Tclose);
    case 13: {
      const hsize_t sizes[2] = {2, 1 + script.below(4)};
      return Handle(H5Tarray_create2(H5T_NATIVE_DOUBLE, 2, sizes), H5Tclose);
    }
    case 14:
      return Handle(H5Tenum_create(H5T_NATIVE_INT8), H5Tclose);
    default:
      return copy(H5T_NATIVE_LDOUBLE);
  }
}

std::vector<hsize_t> some_shape(Script& script) {
  static constexpr std::array<hsize_t, 16> kLengths = {
      0, 1, 2, 3, 4, 5, 7, 8, 16, 31, 32, 64, 128, 1000, hsize_t{1} << 28, hsize_t{1} << 62};
  std::vector<hsize_t> shape(script.below(4));
  for (auto& length : shape) length = kLengths[script.below(kLengths.size())];
  return shape;
}

Handle space_of(const std::vector<hsize_t>& shape) {
  if (shape.empty()) return Handle(H5Screate(H5S_SCALAR), H5Sclose);
  return Handle(H5Screate_simple(static_cast<int>(shape.size()), shape.data(), nullptr), H5Sclose);
}

/// Values for a small object: script bytes over and over, or numbers readers stumble over.
std::vector<char> some_values(Script& script, hid_t type, hid_t space) {
  const hssize_t points = H5Sget_simple_extent_npoints(space);
  if (points <= 0) return {};  // fewer than none: an object that earlier changes left without an extent
  const auto count = static_cast<std::size_t>(points);
  std::vector<char> values(count * H5Tget_size(type));
  static constexpr std::array<double, 6> kNumbers = {0.0,
                                                     -1.0,
                                                     1e300,
                                                     0x1p63,
                                                     std::numeric_limits<double>::quiet_NaN(),
                                                     std::numeric_limits<double>::infinity()};
  const double number = kNumbers[script.below(kNumbers.size())];
  const bool numbers = H5Tequal(type, H5T_NATIVE_DOUBLE) > 0 && script.next() % 2 == 0;
  for (std::size_t i = 0; i < values.size(); ++i)
    values[i] = numbers ? '\0' : static_cast<char>(script.next());
  if (numbers)
    for (std::size_t i = 0; i < count; ++i) std::memcpy(values.data() + 8 * i, &number, 8);
  return values;
}

bool is_small(const std::vector<hsize_t>& shape) {
  hsize_t count = 1;
  for (const hsize_t n : shape)
    if (n > 1000 || (count *= n) > 4000) return false;
  return true;
}

/// Contiguous, or in pieces, packed or not.
Handle some_layout(Script& script, const std::vector<hsize_t>& shape) {
  Handle creation(H5Pcreate(H5P_DATASET_CREATE), H5Pclose);
  if (shape.empty() || script.below(3) > 0) return creation;
  std::vector<hsize_t> piece;
  for (const hsize_t n : shape)
    piece.push_back(1 + script.below(static_cast<std::size_t>(std::min<hsize_t>(n, 1000)) + 1));
  H5Pset_chunk(creation.get(), static_cast<int>(piece.size()), piece.data());
  if (script.below(2) == 0) H5Pset_deflate(creation.get(), 1);
  return creation;
}

void replace_dataset(Script& script, hid_t file, const std::string& name) {
  const Handle type = some_type(script);
  const auto shape = some_shape(script);
  const Handle space = space_of(shape), creation = some_layout(script, shape);
  H5Ldelete(file, name.c_str(), H5P_DEFAULT);
  const Handle links(H5Pcreate(H5P_LINK_CREATE), H5Pclose);
  H5Pset_create_intermediate_group(links.get(), 1);
  const Handle data(
      H5Dcreate2(file, name.c_str(), type.get(), space.get(), links.get(), creation.get(), H5P_DEFAULT),
      H5Dclose);
  if (!data || !is_small(shape)) return;
  const auto values = some_values(script, type.get(), space.get());
  if (!values.empty()) H5Dwrite(data.get(), type.get(), H5S_ALL, H5S_ALL, H5P_DEFAULT, values.data());
}

void replace_attribute(Script& script, hid_t object, const std::string& name) {
  const Handle type = some_type(script);
  auto shape = some_shape(script);
  if (!is_small(shape)) shape.assign(1, 3);
  const Handle space = space_of(shape);
  H5Adelete(object, name.c_str());
  const Handle attribute(H5Acreate2(object, name.c_str(), type.get(), space.get(), H5P_DEFAULT, H5P_DEFAULT),
                         H5Aclose);
  const auto values = some_values(script, type.get(), space.get());
  if (attribute && !values.empty()) H5Awrite(attribute.get(), type.get(), values.data());
}

/// A text of the script's bytes where a text was.
void reword_attribute(Script& script, hid_t object, const std::string& name) {
  const Handle type = text_type(1 + script.below(40));
  const Handle space(H5Screate(H5S_SCALAR), H5Sclose);
  H5Adelete(object, name.c_str());
  const Handle attribute(H5Acreate2(object, name.c_str(), type.get(), space.get(), H5P_DEFAULT, H5P_DEFAULT),
                         H5Aclose);
  const auto values = some_values(script, type.get(), space.get());
  if (attribute) H5Awrite(attribute.get(), type.get(), values.data());
}

/// Other content in an object that keeps its type and shape.
void overwrite(Script& script, hid_t file, const std::string& name) {
  const Handle data(H5Dopen2(file, name.c_str(), H5P_DEFAULT), H5Dclose);
  if (!data) return;
  const Handle type(H5Dget_type(data.get()), H5Tclose), space(H5Dget_space(data.get()), H5Sclose);
  if (H5Sget_simple_extent_npoints(space.get()) > 4000 || H5Tdetect_class(type.get(), H5T_VLEN) > 0) return;
  const auto values = some_values(script, type.get(), space.get());
  if (!values.empty()) H5Dwrite(data.get(), type.get(), H5S_ALL, H5S_ALL, H5P_DEFAULT, values.data());
}

/// Whether other objects may be there now.
bool change(Script& script, hid_t file, const std::vector<std::string>& objects) {
  const std::string name = objects[script.below(objects.size())];
  const unsigned kind = script.next() % 10;
  if (kind < 4) {
    const Handle object(H5Oopen(file, name.c_str(), H5P_DEFAULT), H5Oclose);
    const auto attributes = attributes_of(object.get());
    if (attributes.empty()) return false;
    const std::string attribute = attributes[script.below(attributes.size())];
    if (kind == 0) H5Adelete(object.get(), attribute.c_str());
    if (kind == 1 || kind == 2) replace_attribute(script, object.get(), attribute);
    if (kind == 3) reword_attribute(script, object.get(), attribute);
    return false;
  }
  if (name == ".") return false;
  const std::string other = objects[script.below(objects.size())];
  if (kind == 4) H5Ldelete(file, name.c_str(), H5P_DEFAULT);
  if (kind == 5 || kind == 6) replace_dataset(script, file, name);
  if (kind == 7) overwrite(script, file, name);
  if (kind == 8 && other != ".") {
    H5Ldelete(file, name.c_str(), H5P_DEFAULT);
    H5Lcreate_hard(file, other.c_str(), file, name.c_str(), H5P_DEFAULT, H5P_DEFAULT);
  }
  if (kind == 9) {
    H5Ldelete(file, name.c_str(), H5P_DEFAULT);
    H5Lcreate_soft(("/" + other).c_str(), file, name.c_str(), H5P_DEFAULT, H5P_DEFAULT);
  }
  return kind != 7;
}

std::string image_of(hid_t file) {
  H5Fflush(file, H5F_SCOPE_GLOBAL);
  const auto size = H5Fget_file_image(file, nullptr, 0);
  if (size <= 0) throw std::logic_error("no image of the changed file");
  std::string image(static_cast<std::size_t>(size), '\0');
  H5Fget_file_image(file, image.data(), image.size());
  return image;
}

}  // namespace

std::string changed_file(const std::string& whole, const std::string& script) {
  constexpr std::size_t kIncrement = std::size_t{1} << 16;
  const Handle in_memory(H5Pcreate(H5P_FILE_ACCESS), H5Pclose);
  H5Pset_fapl_core(in_memory.get(), kIncrement, false);
  H5Pset_file_image(in_memory.get(), const_cast<char*>(whole.data()), whole.size());
  const Handle file(H5Fopen("changed", H5F_ACC_RDWR, in_memory.get()), H5Fclose);
  if (!file) throw std::logic_error("the file to change cannot be opened");
  Script bytes(script);
  constexpr int kMostChanges = 8;
  auto objects = objects_in(file.get());
  for (int i = 0; i < kMostChanges && !bytes.ended(); ++i)
    if (change(bytes, file.get(), objects)) objects = objects_in(file.get());
  return image_of(file.get());
}

}  // namespace cohlink::fuzz
