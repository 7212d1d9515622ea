#include <algorithm>
#include <array>
#include <cmath>
#include <filesystem>
#include <optional>

#include "sim/signal/record/hdf5_types.h"
#include "sim/signal/record/seal.h"
#include "sim/signal/record/trial_reading.h"

namespace cohlink::h5 {
namespace {

[[noreturn]] void read_failed(const std::string& path, const std::string& why) {
  throw InputError(path, why);
}

// Links are followed within the file alone.
hid_t access_within_file() {
  // Made once, and left to the library, which may end before our statics do.
  static const hid_t within = [] {
    const hid_t access = H5Pcreate(H5P_LINK_ACCESS);
    const auto refuse = [](const char*, const char*, const char*, const char*, unsigned*, hid_t, void*) {
      return herr_t{-1};
    };
    H5Pset_elink_cb(access, refuse, nullptr);
    return access;
  }();
  return within;
}

std::string quantity(const std::string& object, const std::string& attribute) {
  return attribute.empty() ? "data set " + object : "attribute " + object + "@" + attribute;
}

Shape extent(hid_t space) {
  const int rank = H5Sget_simple_extent_ndims(space);
  std::vector<hsize_t> sizes(rank > 0 ? static_cast<std::size_t>(rank) : 0);
  if (rank > 0) H5Sget_simple_extent_dims(space, sizes.data(), nullptr);
  return Shape(sizes.begin(), sizes.end());
}

/// Number of elements; nothing where no machine could count them.
std::optional<std::size_t> count_of(const Shape& shape) {
  std::size_t count = 1;
  for (const std::size_t n : shape)
    if (__builtin_mul_overflow(count, n, &count)) return std::nullopt;
  return count;
}

Content content_of(hid_t type) {
  const H5T_class_t kind = H5Tget_class(type);
  if (kind == H5T_STRING) return Content::kText;
  if (kind == H5T_INTEGER || kind == H5T_ENUM)  // h5py keeps yes and no as an enum
    return is_sound_number(type) ? Content::kIntegers : Content::kOther;
  if (kind == H5T_FLOAT) return is_sound_number(type) ? Content::kReals : Content::kOther;
  if (kind != H5T_COMPOUND || H5Tget_nmembers(type) != 2) return Content::kOther;
  for (const unsigned m : {0u, 1u}) {
    const Handle part(H5Tget_member_type(type, m), H5Tclose);
    if (H5Tget_member_class(type, m) != H5T_FLOAT || !is_sound_number(part.get())) return Content::kOther;
  }
  return Content::kComplex;
}

/// "real, imag": of a compound.
std::string member_names(hid_t type) {
  std::string names;
  for (int m = 0; m < H5Tget_nmembers(type); ++m) {
    char* const name = H5Tget_member_name(type, static_cast<unsigned>(m));
    names += (m == 0 ? "" : ", ") + std::string(name == nullptr ? "?" : name);
    H5free_memory(name);
  }
  return names;
}

/// A data set or an attribute, opened and looked at.
struct Stored {
  std::string name;  // for messages
  Handle object, type, space;
  bool is_attribute;
  Shape shape;
  Content content;

  Stored(std::string what, Handle opened, bool attribute)
      : name(std::move(what)),
        object(std::move(opened)),
        type(attribute ? H5Aget_type(object.get()) : H5Dget_type(object.get()), H5Tclose),
        space(attribute ? H5Aget_space(object.get()) : H5Dget_space(object.get()), H5Sclose),
        is_attribute(attribute),
        shape(extent(space.get())),
        content(content_of(type.get())) {}

  bool read(hid_t memory, void* out) const {
    if (is_attribute) return H5Aread(object.get(), memory, out) >= 0;
    return H5Dread(object.get(), memory, H5S_ALL, H5S_ALL, H5P_DEFAULT, out) >= 0;
  }
};

/// How many bytes the values can take in memory: those of the file, or what its filters can have made of
/// them.
std::uint64_t most_bytes(const std::string& path, const Stored& stored, const Handle& creation,
                         std::uint64_t file_bytes) {
  if (stored.is_attribute) return file_bytes;
  if (H5Pget_external_count(creation.get()) > 0 || H5Pget_layout(creation.get()) == H5D_VIRTUAL)
    read_failed(path, stored.name + " keeps its values in another file; copy them into this one");
  // Deflate makes at most 258 bytes of 2 bits (RFC 1951), 1032:1; other filters of HDF5 stay below that.
  constexpr std::uint64_t kMostExpansion = 1032;
  return H5Pget_nfilters(creation.get()) > 0 ? file_bytes * kMostExpansion : file_bytes;
}

/// Bytes of one piece of a data set that is stored in pieces: the library reads a piece whole.
std::uint64_t piece_bytes(const Stored& stored, const Handle& creation) {
  if (stored.is_attribute) return 0;
  if (H5Pget_layout(creation.get()) != H5D_CHUNKED) return 0;
  std::array<hsize_t, H5S_MAX_RANK> sizes{};
  const int rank = H5Pget_chunk(creation.get(), H5S_MAX_RANK, sizes.data());
  double bytes = static_cast<double>(H5Tget_size(stored.type.get()));  // cannot overflow
  for (int i = 0; i < rank; ++i) bytes *= static_cast<double>(sizes[static_cast<std::size_t>(i)]);
  return static_cast<std::uint64_t>(std::min(bytes, 0x1p63));
}

/// The number of values, of a shape and size that the file can hold.
std::size_t checked_count(const std::string& path, const Stored& stored, std::uint64_t file_bytes) {
  const auto count = count_of(stored.shape);
  std::size_t bytes = 0;
  if (H5Sget_simple_extent_type(stored.space.get()) == H5S_NULL)
    read_failed(path, stored.name + " holds nothing");
  const Handle creation(stored.is_attribute ? -1 : H5Dget_create_plist(stored.object.get()), H5Pclose);
  const std::uint64_t most = most_bytes(path, stored, creation, file_bytes);
  constexpr std::uint64_t kSmallPiece = std::uint64_t{1}
                                        << 20;  // pieces of short data sets may be longer than they
  if (!count || __builtin_mul_overflow(*count, H5Tget_size(stored.type.get()), &bytes) || bytes > most ||
      piece_bytes(stored, creation) > std::max(most, kSmallPiece))
    read_failed(path, stored.name + " says to be larger than the file can hold, " + shape_text(stored.shape) +
                          ": the file is damaged");
  return *count;
}

const char* expected_words(Content wanted) {
  switch (wanted) {
    case Content::kIntegers:
      return "whole numbers";
    case Content::kReals:
      return "numbers";
    case Content::kComplex:
      return "complex numbers (members r and i)";
    default:
      return "text";
  }
}

void check_content(const std::string& path, const Stored& stored, Content wanted) {
  const bool whole_for_real = wanted == Content::kReals && stored.content == Content::kIntegers;
  if (stored.content != wanted && !whole_for_real)
    read_failed(path, stored.name + " does not hold " + expected_words(wanted));
  if (wanted != Content::kComplex) return;
  if (const std::string names = member_names(stored.type.get()); names != "r, i" && names != "i, r")
    read_failed(path, stored.name + " has the members " + names + " where " + expected_words(wanted) +
                          " are expected");
}

void check_shape(const std::string& path, const Stored& stored, const Shape& wanted) {
  const bool fits = std::equal(stored.shape.begin(), stored.shape.end(), wanted.begin(), wanted.end(),
                               [](std::size_t n, std::size_t w) { return w == kAnyLength || n == w; });
  if (!fits)
    read_failed(path, stored.name + " must be " + shape_text(wanted) + ", not " + shape_text(stored.shape));
}

template <class T>
std::vector<T> values_of(const std::string& path, const Stored& stored, std::uint64_t file_bytes) {
  check_content(path, stored,
                is_complex<T>                 ? Content::kComplex
                : std::is_floating_point_v<T> ? Content::kReals
                                              : Content::kIntegers);
  std::vector<T> values(checked_count(path, stored, file_bytes));
  const Handle type = memory_type<T>();
  if (!values.empty() && !stored.read(type.get(), values.data()))
    read_failed(path, stored.name + " cannot be read (truncated or damaged)");
  return values;
}

/// Texts of fixed length, as we write them.
std::vector<std::string> fixed_texts(const std::string& path, const Stored& stored, std::size_t count) {
  const std::size_t length = H5Tget_size(stored.type.get());
  std::string rows(count * length, '\0');
  if (count > 0 && !stored.read(stored.type.get(), rows.data()))
    read_failed(path, stored.name + " cannot be read (truncated or damaged)");
  std::vector<std::string> texts;
  for (std::size_t i = 0; i < count; ++i)
    texts.push_back(rows.substr(i * length, std::min(length, rows.find('\0', i * length) - i * length)));
  return texts;
}

/// Texts of variable length: of earlier versions and of other programs.
std::vector<std::string> variable_texts(const std::string& path, const Stored& stored, std::size_t count) {
  std::vector<char*> raw(count, nullptr);
  if (count > 0 && !stored.read(stored.type.get(), raw.data()))
    read_failed(path, stored.name + " cannot be read (truncated or damaged)");
  std::vector<std::string> texts;
  for (char* text : raw) texts.emplace_back(text == nullptr ? "" : text);
  if (count > 0) H5Dvlen_reclaim(stored.type.get(), stored.space.get(), H5P_DEFAULT, raw.data());
  return texts;
}

std::vector<std::string> texts_of(const std::string& path, const Stored& stored, std::uint64_t file_bytes) {
  check_content(path, stored, Content::kText);
  const std::size_t count = checked_count(path, stored, file_bytes);
  return H5Tis_variable_str(stored.type.get()) > 0 ? variable_texts(path, stored, count)
                                                   : fixed_texts(path, stored, count);
}

std::string one_text(const std::string& path, const Stored& stored, std::uint64_t file_bytes) {
  if (count_of(stored.shape) != 1u) read_failed(path, stored.name + " is not a single text");
  return texts_of(path, stored, file_bytes).front();
}

/// Why a path that is not there is not there: "/a/b" of a link that leads out of the file.
bool leads_out(hid_t file, const std::string& object) {
  for (std::size_t slash = object.find('/', 1);; slash = object.find('/', slash + 1)) {
    H5L_info_t link;
    const std::string part = object.substr(0, slash);
    if (H5Lget_info(file, part.c_str(), &link, access_within_file()) < 0) return false;
    if (link.type == H5L_TYPE_EXTERNAL) return true;
    if (slash == std::string::npos) return false;
  }
}

Handle opened_object(hid_t file, const std::string& path, const std::string& object) {
  Handle opened(H5Oopen(file, object.c_str(), access_within_file()), H5Oclose);
  if (!opened && leads_out(file, object))
    read_failed(path, object + " is a link into another file; copy what it leads to into this one");
  return opened;
}

Stored opened_dataset(hid_t file, const std::string& path, const std::string& name) {
  Handle object = opened_object(file, path, name);
  if (!object) read_failed(path, "has no data set " + name);
  if (H5Iget_type(object.get()) != H5I_DATASET) read_failed(path, name + " is not a data set");
  return Stored(quantity(name, ""), std::move(object), false);
}

Stored opened_attribute(hid_t file, const std::string& path, const std::string& object,
                        const std::string& name) {
  const Handle owner = opened_object(file, path, object);
  Handle attribute(owner ? H5Aopen(owner.get(), name.c_str(), H5P_DEFAULT) : -1, H5Aclose);
  if (!attribute) read_failed(path, "has no attribute " + object + "@" + name);
  return Stored(quantity(object, name), std::move(attribute), true);
}

/// What can be said of a file before the HDF5 library opens it.
Seal looked_at(const std::string& path) {
  silence();
  if (!std::filesystem::exists(path)) read_failed(path, "no such file");
  if (std::filesystem::is_directory(path)) read_failed(path, "is a folder, not a file");
  if (!std::filesystem::is_regular_file(path))
    read_failed(path, "is not a regular file; HDF5 cannot be read from a pipe or a device");
  if (H5Fis_hdf5(path.c_str()) <= 0) read_failed(path, "not an HDF5 file (or cannot be read)");
  const Seal seal = seal_in(path);
  if (seal == Seal::kBroken) read_failed(path, "damaged: its bytes are not those that were written");
  return seal;
}

Handle opened_file(const std::string& path) {
  Handle file(H5Fopen(path.c_str(), H5F_ACC_RDONLY, H5P_DEFAULT), H5Fclose);
  if (!file) read_failed(path, "an HDF5 file, but truncated or damaged");
  return file;
}

}  // namespace

std::string shape_text(const Shape& shape) {
  if (shape.empty()) return "a single value";
  std::string text;
  for (const std::size_t n : shape)
    text += (text.empty() ? "" : ", ") + (n == kAnyLength ? "n" : std::to_string(n));
  return "[" + text + "]";
}

File::File(std::string path, Handle file) : path_(std::move(path)), file_(std::move(file)) {
  hsize_t bytes = 0;
  if (H5Fget_filesize(file_.get(), &bytes) >= 0) bytes_ = bytes;
}

File File::open(const std::string& path) {
  if (looked_at(path) == Seal::kNone && !survives_reading(path))
    read_failed(path, "an HDF5 file, but damaged: the HDF5 library fails on it");
  return File(path, opened_file(path));
}

File File::open_sealed(const std::string& path, const std::string& why_needed) {
  if (looked_at(path) != Seal::kWhole)
    read_failed(path, "carries no seal that says it is whole: " + why_needed);
  return File(path, opened_file(path));
}

bool File::has(const std::string& object) const {
  // Where a group on the way is missing HDF5 calls it an error, which it is silent about here: below 0.
  return object == "/" || H5Lexists(file_.get(), object.c_str(), access_within_file()) > 0;
}

bool File::is_dataset(const std::string& object) const {
  if (!has(object)) return false;
  const Handle opened = opened_object(file_.get(), path_, object);
  return opened && H5Iget_type(opened.get()) == H5I_DATASET;
}

std::vector<std::string> File::children(const std::string& group) const {
  std::vector<std::string> names;
  const Handle opened = opened_object(file_.get(), path_, group);
  if (!opened || H5Iget_type(opened.get()) == H5I_DATASET) return names;
  const auto add = [](hid_t, const char* name, const H5L_info_t*, void* out) {
    static_cast<std::vector<std::string>*>(out)->push_back(name);
    return herr_t{0};
  };
  H5Literate(opened.get(), H5_INDEX_NAME, H5_ITER_INC, nullptr, add, &names);
  return names;
}

Shape File::shape(const std::string& dataset) const {
  return opened_dataset(file_.get(), path_, dataset).shape;
}

Content File::content(const std::string& dataset) const {
  return opened_dataset(file_.get(), path_, dataset).content;
}

void File::check_size(const std::string& dataset) const {
  checked_count(path_, opened_dataset(file_.get(), path_, dataset), bytes_);
}

bool File::fits_int16(const std::string& dataset) const {
  const Stored stored = opened_dataset(file_.get(), path_, dataset);
  if (H5Tget_class(stored.type.get()) != H5T_INTEGER) return false;
  const std::size_t bytes = H5Tget_size(stored.type.get());
  return bytes < 2 || (bytes == 2 && H5Tget_sign(stored.type.get()) == H5T_SGN_2);
}

template <class T>
std::vector<T> File::read(const std::string& dataset) const {
  return values_of<T>(path_, opened_dataset(file_.get(), path_, dataset), bytes_);
}

template <class T>
std::vector<T> File::read(const std::string& dataset, const Shape& wanted) const {
  const Stored stored = opened_dataset(file_.get(), path_, dataset);
  check_shape(path_, stored, wanted);
  return values_of<T>(path_, stored, bytes_);
}

double File::read_scalar(const std::string& dataset) const {
  const auto values = read<double>(dataset);
  if (values.size() != 1) read_failed(path_, "data set " + dataset + " is not a single number");
  return values.front();
}

std::string File::read_text(const std::string& dataset) const {
  return one_text(path_, opened_dataset(file_.get(), path_, dataset), bytes_);
}

std::vector<std::string> File::read_texts(const std::string& dataset) const {
  const Stored stored = opened_dataset(file_.get(), path_, dataset);
  check_shape(path_, stored, {kAnyLength});
  return texts_of(path_, stored, bytes_);
}

std::vector<std::string> File::attributes(const std::string& object) const {
  std::vector<std::string> names;
  const Handle opened = opened_object(file_.get(), path_, object);
  if (!opened) return names;
  const auto add = [](hid_t, const char* name, const H5A_info_t*, void* out) {
    static_cast<std::vector<std::string>*>(out)->push_back(name);
    return herr_t{0};
  };
  H5Aiterate2(opened.get(), H5_INDEX_NAME, H5_ITER_INC, nullptr, add, &names);
  return names;
}

bool File::has_attribute(const std::string& object, const std::string& name) const {
  if (!has(object)) return false;
  const Handle opened = opened_object(file_.get(), path_, object);
  return opened && H5Aexists(opened.get(), name.c_str()) > 0;
}

bool File::holds_text(const std::string& object, const std::string& attribute) const {
  return has_attribute(object, attribute) &&
         opened_attribute(file_.get(), path_, object, attribute).content == Content::kText;
}

std::string File::attribute_text(const std::string& object, const std::string& name) const {
  return one_text(path_, opened_attribute(file_.get(), path_, object, name), bytes_);
}

std::vector<double> File::attribute_numbers(const std::string& object, const std::string& name) const {
  return values_of<double>(path_, opened_attribute(file_.get(), path_, object, name), bytes_);
}

double File::attribute_number(const std::string& object, const std::string& name) const {
  const auto values = attribute_numbers(object, name);
  if (values.size() != 1) read_failed(path_, "attribute " + object + "@" + name + " is not a single number");
  return values.front();
}

std::uint64_t File::attribute_count(const std::string& object, const std::string& name) const {
  constexpr double kMost = 9007199254740992.0;  // 2^53
  const double value = attribute_number(object, name);
  if (!(value >= 0.0 && value <= kMost && value == std::floor(value)))
    read_failed(path_, "attribute " + object + "@" + name + " is not a whole number between 0 and 2^53");
  return static_cast<std::uint64_t>(value);
}

#define COHLINK_H5_INSTANTIATE(T)                                  \
  template std::vector<T> File::read<T>(const std::string&) const; \
  template std::vector<T> File::read<T>(const std::string&, const Shape&) const;
COHLINK_H5_ELEMENTS(COHLINK_H5_INSTANTIATE)
#undef COHLINK_H5_INSTANTIATE

}  // namespace cohlink::h5
