// RAII over HDF5's C library: just what captures and results need.
#pragma once

#include <hdf5.h>

#include <complex>
#include <cstdint>
#include <limits>
#include <string>
#include <vector>

namespace cohlink::h5 {

/// An owned HDF5 identifier, closed by the function for its kind.
class Handle {
 public:
  using Closer = herr_t (*)(hid_t);
  Handle(hid_t id, Closer close) : id_(id), close_(close) {}
  ~Handle() { reset(); }
  Handle(Handle&& other) noexcept : id_(other.id_), close_(other.close_) { other.id_ = -1; }
  Handle& operator=(Handle&& other) noexcept;
  Handle(const Handle&) = delete;
  Handle& operator=(const Handle&) = delete;
  hid_t get() const { return id_; }
  explicit operator bool() const { return id_ >= 0; }
  /// Closes now; false when HDF5 could not (a full disk shows here).
  bool reset();

 private:
  hid_t id_;
  Closer close_;
};

using Shape = std::vector<std::size_t>;
constexpr std::size_t kAnyLength = std::numeric_limits<std::size_t>::max();  // in a shape that is asked for

/// "[2, 4096]", "a single value"; a length that may be any is "n".
std::string shape_text(const Shape& shape);

enum class Content { kIntegers, kReals, kComplex, kText, kOther };

/// A file that is read. Every call throws InputError on failure; the message names the file and the object.
/// Supported element types: int16, uint8, int64, uint64, float, double, complex<float>
/// and complex<double> (the {r, i} compound that h5py reads as complex).
///
/// Nothing that a file says of itself is believed before it is checked: what an object is, its type, its
/// shape, and that its size is one that the file's own size allows. Data that lie in another file (external
/// links, external storage, virtual data sets) are refused.
class File {
 public:
  /// Opens for reading. InputError when missing, unreadable, truncated, damaged or not HDF5. A file that
  /// bears its seal (seal.h) is known to be whole; any other is first read in a child process
  /// (trial_reading.h), because the HDF5 library does not survive every file.
  static File open(const std::string& path);
  /// The same, and InputError for a file without its seal: `why_needed` ends the message.
  static File open_sealed(const std::string& path, const std::string& why_needed);

  const std::string& path() const { return path_; }
  /// HDF5's own identifier, for what these calls do not cover; stays owned by the file.
  hid_t id() const { return file_.get(); }
  bool has(const std::string& object) const;
  bool is_dataset(const std::string& object) const;
  /// Names in a group; none where it is no group.
  std::vector<std::string> children(const std::string& group) const;

  Shape shape(const std::string& dataset) const;
  Content content(const std::string& dataset) const;
  /// InputError where the file cannot hold what the data set says to hold, or other files hold it.
  void check_size(const std::string& dataset) const;
  /// Whether it holds integers that fit int16: converting any other type would cut or saturate.
  bool fits_int16(const std::string& dataset) const;
  /// All values in row-major order, converted to T by HDF5; integers are read from integers alone.
  template <class T>
  std::vector<T> read(const std::string& dataset) const;
  /// The same where the data set must have this shape (kAnyLength: any length along that axis).
  template <class T>
  std::vector<T> read(const std::string& dataset, const Shape& wanted) const;
  double read_scalar(const std::string& dataset) const;
  std::string read_text(const std::string& dataset) const;
  /// A list of texts, of fixed or variable length.
  std::vector<std::string> read_texts(const std::string& dataset) const;
  std::vector<std::string> attributes(const std::string& object) const;
  bool has_attribute(const std::string& object, const std::string& name) const;
  bool holds_text(const std::string& object, const std::string& attribute) const;
  std::string attribute_text(const std::string& object, const std::string& name) const;
  double attribute_number(const std::string& object, const std::string& name) const;
  std::vector<double> attribute_numbers(const std::string& object, const std::string& name) const;
  /// A whole number, 0 to 2^53, which any writer can store exactly.
  std::uint64_t attribute_count(const std::string& object, const std::string& name) const;

 private:
  File(std::string path, Handle file);
  std::string path_;
  Handle file_;
  std::uint64_t bytes_ = 0;  // of the file: bounds what an object in it can hold
};

}  // namespace cohlink::h5
