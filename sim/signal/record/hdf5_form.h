// What a new HDF5 file is made of, entry by entry: kept, so that the next file like it is made by replacing
// what differs.
#pragma once

#include <memory>
#include <string>
#include <unordered_map>
#include <vector>

#include "sim/signal/record/hdf5.h"

namespace cohlink::h5 {

/// Something put into a file.
struct Entry {
  enum class Kind { kDataset, kDeflated, kReserved, kAttribute, kDone };
  Kind kind = Kind::kDataset;
  std::string object, attribute;  // of kDone: what was done
  hid_t number = -1;              // the type of a number; below 0: of a text
  std::size_t size = 0;           // bytes of an element
  Shape shape;

  bool is_text() const { return number < 0; }
  std::size_t bytes() const;
  bool operator==(const Entry&) const = default;
};

/// The entry as it stands in a file: open, and with the bytes that it holds where they are kept.
struct Made {
  Entry entry;
  Handle handle;
  std::string bytes;
};

/// A file in memory and all that was put into it, in turn.
class Form {
 public:
  /// `path` is what errors name. With `keeping`, the bytes of its entries are kept.
  Form(std::string path, bool keeping);

  std::size_t count() const { return made_.size(); }
  const Entry& operator[](std::size_t i) const { return made_[i].entry; }
  /// The place of a data set among the entries; count() where there is none.
  std::size_t place_of(const std::string& dataset) const;
  /// HDF5's identifier of a data set or group.
  hid_t opened(const std::string& object);

  void add(Entry entry, const void* values);
  /// Other values for entry `i` of a form that keeps its bytes.
  void replace(std::size_t i, const void* values);
  /// The whole file's bytes, with its seal; good until the next call. Its memory is used again: to be given
  /// fresh memory takes longer than to fill it.
  const std::string& sealed_image();
  /// Whether it can serve again: not empty, small, its bytes kept, and none deflated to a length of their
  /// own.
  bool is_keeping() const { return keeping_ && count() > 0; }
  /// The file whose name errors bear from now on.
  void name(std::string path) { path_ = std::move(path); }

 private:
  [[noreturn]] void fail(const std::string& object) const;
  Handle make_dataset(const Entry& entry, hid_t type, const void* values);
  Handle make_attribute(const Entry& entry, hid_t type, const void* values);

  std::string path_;
  bool keeping_;
  Handle file_;
  std::size_t kept_bytes_ = 0;
  std::string image_;
  std::vector<Made> made_;
  std::unordered_map<std::string, std::size_t> datasets_;
  std::unordered_map<std::string, Handle> groups_;
};

/// Forms that wait to be used again, each by one thread at a time: as many as the machine has threads, 2 to
/// 6 MB each; the oldest gives way.
std::unique_ptr<Form> form_from_shelf(const std::string& likeness);
void put_on_shelf(const std::string& likeness, std::unique_ptr<Form> form);
/// Whether a file of this likeness was made before, among the last few hundred: only then is another one
/// likely to follow. Counts this one.
bool seen_before(const std::string& likeness);

}  // namespace cohlink::h5
