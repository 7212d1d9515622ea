// RAII over HDF5's C library: just what captures and results need.
#pragma once

#include <hdf5.h>

#include <complex>
#include <cstdint>
#include <functional>
#include <span>
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

/// Every call throws RunError on failure to write and InputError on failure to read; the message names
/// the file and the object. Supported element types: int16, uint8, int64, uint64, float, double,
/// complex<float> and complex<double> (the {r, i} compound that h5py reads as complex).
class File {
 public:
  /// Opens for reading. InputError when missing, unreadable, truncated or not HDF5.
  static File open(const std::string& path);
  /// Calls `fill` on a new file in memory, writes it beside `path`, then renames it to `path`. Whatever
  /// fails leaves nothing behind and throws RunError (or passes on what `fill` threw). The same content
  /// gives the same bytes.
  static void create(const std::string& path, const std::function<void(File&)>& fill);

  const std::string& path() const { return path_; }
  /// HDF5's own identifier, for what these calls do not cover; stays owned by the file.
  hid_t id() const { return file_.get(); }
  bool has(const std::string& object) const;
  std::vector<std::string> children(const std::string& group) const;

  template <class T>
  void write(const std::string& dataset, std::span<const T> values, const Shape& shape);
  template <class T>
  void write(const std::string& dataset, const std::vector<T>& values) {
    write<T>(dataset, std::span<const T>(values), {values.size()});
  }
  void write_scalar(const std::string& dataset, double value);
  void write_text(const std::string& dataset, const std::string& text);
  void write_texts(const std::string& dataset, const std::vector<std::string>& texts);
  /// Attributes of a data set or group ("/" = the file's root group).
  void attribute(const std::string& object, const std::string& name, const std::string& text);
  void attribute(const std::string& object, const std::string& name, double value);
  void attribute(const std::string& object, const std::string& name, std::uint64_t value);
  void attribute(const std::string& object, const std::string& name, std::span<const double> values);

  Shape shape(const std::string& dataset) const;
  /// Whether it holds integers that fit int16: converting any other type would cut or saturate.
  bool fits_int16(const std::string& dataset) const;
  /// All values in row-major order, converted to T by HDF5.
  template <class T>
  std::vector<T> read(const std::string& dataset) const;
  double read_scalar(const std::string& dataset) const;
  std::string read_text(const std::string& dataset) const;
  /// A list of texts of variable length, as write_texts leaves it.
  std::vector<std::string> read_texts(const std::string& dataset) const;
  std::vector<std::string> attributes(const std::string& object) const;
  bool has_attribute(const std::string& object, const std::string& name) const;
  std::string attribute_text(const std::string& object, const std::string& name) const;
  double attribute_number(const std::string& object, const std::string& name) const;
  std::vector<double> attribute_numbers(const std::string& object, const std::string& name) const;

 private:
  File(std::string path, Handle file) : path_(std::move(path)), file_(std::move(file)) {}
  std::string path_;
  Handle file_;
};

}  // namespace cohlink::h5
