// New HDF5 files: filled in memory, written in one go; a file like an earlier one is made from that one.
#pragma once

#include <functional>
#include <span>
#include <string>
#include <vector>

#include "sim/signal/record/atomic_file.h"
#include "sim/signal/record/hdf5.h"

namespace cohlink::h5 {

class Form;
struct Entry;

/// A file that is being filled. Every call throws RunError when HDF5 refuses; the message names the file and
/// the object. Element types as in File. The same calls give the same bytes.
class NewFile {
 public:
  const std::string& path() const { return path_; }

  template <class T>
  void write(const std::string& dataset, std::span<const T> values, const Shape& shape);
  template <class T>
  void write(const std::string& dataset, const std::vector<T>& values) {
    write<T>(dataset, std::span<const T>(values), {values.size()});
  }
  void write_scalar(const std::string& dataset, double value);
  /// Numbers of a byte, deflated.
  void write_deflated(const std::string& dataset, std::span<const std::uint8_t> values, const Shape& shape);
  /// A data set of bytes that are never written and take no room: it has a length alone.
  void reserve(const std::string& dataset, const Shape& shape);
  /// Texts are stored in UTF-8 with a fixed length: those of variable length lie in a heap of their own,
  /// where a turned bit leads the library astray.
  void write_text(const std::string& dataset, const std::string& text);
  void write_texts(const std::string& dataset, const std::vector<std::string>& texts);
  /// Attributes of a data set or group ("/" = the file's root group). At most 64 KiB each.
  void attribute(const std::string& object, const std::string& name, const std::string& text);
  void attribute(const std::string& object, const std::string& name, double value);
  void attribute(const std::string& object, const std::string& name, std::uint64_t value);
  void attribute(const std::string& object, const std::string& name, std::span<const double> values);

  /// Whether the data set has been written.
  bool has(const std::string& dataset) const;
  /// Of a data set that has been written.
  const Shape& shape(const std::string& dataset) const;
  /// HDF5's own identifier of a data set or group; stays owned by the file, which keeps open what it wrote:
  /// to find an object by its path takes longer than to write most of them.
  hid_t opened(const std::string& object);
  /// Axes, which these calls do not cover: `act` writes what `what` says in full, and returns false on
  /// failure. Left out where the file is made from one for which it was done.
  void once(const std::string& what, const std::function<bool()>& act);

 private:
  friend void fill_form(const std::string&, const std::function<void(NewFile&)>&, Form&);
  /// Fills an empty form, or replaces the entries of one that is not.
  NewFile(std::string path, Form& form);
  void put(Entry entry, const void* values);

  std::string path_;
  Form& form_;
  const bool replacing_;
  std::size_t next_ = 0;  // of the form's entries
};

struct Making {
  /// Files of one likeness most likely hold the same objects of the same sizes. From the third on they are
  /// made by replacing what differs in an earlier one, several times as fast, if they are below 2 MB and hold
  /// nothing deflated; where objects turn out to differ, the file is filled again from empty. The bytes are
  /// the same either way. "": like no other.
  std::string likeness = {};
  OnDisk on_disk = OnDisk::kNow;
};

/// Calls `fill` on a new file in memory, writes it with its seal (seal.h) beside `path`, then renames it to
/// `path`. Whatever fails leaves nothing behind and throws RunError (or passes on what `fill` threw).
void create(const std::string& path, const std::function<void(NewFile&)>& fill, const Making& making = {});

}  // namespace cohlink::h5
