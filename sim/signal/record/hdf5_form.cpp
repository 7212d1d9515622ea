#include "sim/signal/record/hdf5_form.h"

#include <algorithm>
#include <atomic>
#include <cstdio>
#include <cstring>
#include <deque>
#include <list>
#include <mutex>
#include <thread>
#include <utility>

#include "sim/signal/record/hdf5_types.h"
#include "sim/signal/record/seal.h"

namespace cohlink::h5 {
namespace {

Handle text_type(std::size_t length) {
  Handle type(H5Tcopy(H5T_C_S1), H5Tclose);
  H5Tset_size(type.get(), length);
  H5Tset_strpad(type.get(), H5T_STR_NULLPAD);
  H5Tset_cset(type.get(), H5T_CSET_UTF8);
  return type;
}

/// The type of an entry's elements, closed with this where it is a text's.
class ElementType {
 public:
  explicit ElementType(const Entry& entry)
      : text_(entry.is_text() ? text_type(entry.size) : Handle(-1, H5Tclose)), number_(entry.number) {}
  hid_t get() const { return text_ ? text_.get() : number_; }

 private:
  Handle text_;
  hid_t number_;
};

/// Of a single value where the shape has no lengths.
Handle space_of(const Shape& shape) {
  if (shape.empty()) return Handle(H5Screate(H5S_SCALAR), H5Sclose);
  const std::vector<hsize_t> sizes(shape.begin(), shape.end());
  return Handle(H5Screate_simple(static_cast<int>(sizes.size()), sizes.data(), nullptr), H5Sclose);
}

/// The groups on the way to "/a/b/c" are created as needed.
hid_t with_groups() {
  // Made once, and left to the library, which may end before our statics do.
  static const hid_t links = [] {
    const hid_t list = H5Pcreate(H5P_LINK_CREATE);
    H5Pset_create_intermediate_group(list, 1);
    return list;
  }();
  return links;
}

/// Without time stamps: the same content gives the same file to the last byte.
hid_t new_timeless() {
  const hid_t list = H5Pcreate(H5P_DATASET_CREATE);
  H5Pset_obj_track_times(list, false);
  return list;
}

hid_t timeless() {
  static const hid_t creation = new_timeless();
  return creation;
}

Handle deflating(const Shape& shape) {
  constexpr hsize_t kPiece = hsize_t{1} << 19;
  std::vector<hsize_t> piece(shape.begin(), shape.end());
  piece.back() = std::min(piece.back(), kPiece);
  Handle list(new_timeless(), H5Pclose);
  H5Pset_chunk(list.get(), static_cast<int>(piece.size()), piece.data());
  H5Pset_deflate(list.get(), 1);
  return list;
}

// A file in memory grows by this much, all of it zeroed before it is filled: of the size of a short capture.
constexpr std::size_t kMemoryIncrement = std::size_t{256} << 10;
constexpr std::size_t kLargestKept = std::size_t{2} << 20;  // in longer files the data take the time
constexpr std::size_t kRoomForSeal = 64;

// Built in memory and written in one go: on a full disk HDF5 can neither finish a file nor let go of it.
Handle file_in_memory() {
  const Handle in_memory(H5Pcreate(H5P_FILE_ACCESS), H5Pclose);
  H5Pset_fapl_core(in_memory.get(), kMemoryIncrement, false);
  H5Pset_sieve_buf_size(in_memory.get(), 0);  // what is in memory needs no buffer before it
  // HDF5 knows what is open by its name: each has its own, which no file of a folder bears, nor one of
  // another copy of this code in the process.
  static std::atomic<unsigned long long> made = 0;
  char name[80];
  std::snprintf(name, sizeof name, "/dev/null/%p-%llu", static_cast<void*>(&made), ++made);
  return Handle(H5Fcreate(name, H5F_ACC_TRUNC, H5P_DEFAULT, in_memory.get()), H5Fclose);
}

class Shelf {
 public:
  std::unique_ptr<Form> take(const std::string& likeness) {
    const std::lock_guard lock(mutex_);
    const auto found = std::find_if(forms_.begin(), forms_.end(),
                                    [&](const auto& entry) { return entry.first == likeness; });
    if (found == forms_.end()) return nullptr;
    auto form = std::move(found->second);
    forms_.erase(found);
    return form;
  }
  void put(const std::string& likeness, std::unique_ptr<Form> form) {
    std::unique_ptr<Form> oldest;  // closed when the others need not wait for it
    const std::lock_guard lock(mutex_);
    forms_.emplace_back(likeness, std::move(form));
    if (forms_.size() <= kMostForms) return;
    oldest = std::move(forms_.front().second);
    forms_.pop_front();
  }
  bool saw(const std::string& likeness) {
    const std::lock_guard lock(mutex_);
    if (std::find(seen_.begin(), seen_.end(), likeness) != seen_.end()) return true;
    seen_.push_back(likeness);
    if (seen_.size() > kMostSeen) seen_.pop_front();
    return false;
  }

 private:
  const std::size_t kMostForms = std::max(2u, std::thread::hardware_concurrency());
  static constexpr std::size_t kMostSeen = 256;
  std::mutex mutex_;
  std::list<std::pair<std::string, std::unique_ptr<Form>>> forms_;
  std::deque<std::string> seen_;
};

/// Never destroyed: HDF5 may end before our statics do.
Shelf& shelf() {
  static auto& kept = *new Shelf;
  return kept;
}

}  // namespace

std::size_t Entry::bytes() const {
  std::size_t count = size;
  for (const std::size_t n : shape) count *= n;
  return count;
}

Form::Form(std::string path, bool keeping)
    : path_(std::move(path)), keeping_(keeping), file_(file_in_memory()) {
  if (!file_) throw RunError(path_, "cannot be created");
}

std::size_t Form::place_of(const std::string& dataset) const {
  const auto found = datasets_.find(dataset);
  return found == datasets_.end() ? count() : found->second;
}

hid_t Form::opened(const std::string& object) {
  if (const auto known = datasets_.find(object); known != datasets_.end())
    return made_[known->second].handle.get();
  if (const auto known = groups_.find(object); known != groups_.end()) return known->second.get();
  Handle handle(H5Oopen(file_.get(), object.c_str(), H5P_DEFAULT), H5Oclose);
  if (!handle) fail(object);
  return groups_.emplace(object, std::move(handle)).first->second.get();
}

void Form::add(Entry entry, const void* values) {
  Made made{std::move(entry), Handle(-1, H5Oclose), {}};
  const Entry& wanted = made.entry;
  const ElementType type(wanted);
  if (wanted.kind == Entry::Kind::kAttribute)
    made.handle = make_attribute(wanted, type.get(), values);
  else if (wanted.kind != Entry::Kind::kDone)
    made.handle = make_dataset(wanted, type.get(), values);
  if (values != nullptr) kept_bytes_ += wanted.bytes();
  keeping_ = keeping_ && kept_bytes_ <= kLargestKept && wanted.kind != Entry::Kind::kDeflated;
  if (values != nullptr && keeping_) made.bytes.assign(static_cast<const char*>(values), wanted.bytes());
  made_.push_back(std::move(made));
}

Handle Form::make_dataset(const Entry& entry, hid_t type, const void* values) {
  const Handle space = space_of(entry.shape);
  const Handle deflated =
      entry.kind == Entry::Kind::kDeflated ? deflating(entry.shape) : Handle(-1, H5Pclose);
  Handle data(H5Dcreate2(file_.get(), entry.object.c_str(), type, space.get(), with_groups(),
                         deflated ? deflated.get() : timeless(), H5P_DEFAULT),
              H5Dclose);
  if (!data) fail(entry.object);
  if (values != nullptr && H5Dwrite(data.get(), type, H5S_ALL, H5S_ALL, H5P_DEFAULT, values) < 0)
    fail(entry.object);
  datasets_.emplace(entry.object, count());
  return data;
}

Handle Form::make_attribute(const Entry& entry, hid_t type, const void* values) {
  const Handle space = space_of(entry.shape);
  Handle attribute(
      H5Acreate2(opened(entry.object), entry.attribute.c_str(), type, space.get(), H5P_DEFAULT, H5P_DEFAULT),
      H5Aclose);
  if (!attribute || H5Awrite(attribute.get(), type, values) < 0) fail(entry.object + "@" + entry.attribute);
  return attribute;
}

void Form::replace(std::size_t i, const void* values) {
  Made& made = made_[i];
  if (made.bytes.empty() || std::memcmp(made.bytes.data(), values, made.bytes.size()) == 0) return;
  const ElementType type(made.entry);
  const bool attribute = made.entry.kind == Entry::Kind::kAttribute;
  const herr_t written = attribute
                             ? H5Awrite(made.handle.get(), type.get(), values)
                             : H5Dwrite(made.handle.get(), type.get(), H5S_ALL, H5S_ALL, H5P_DEFAULT, values);
  if (written < 0) fail(attribute ? made.entry.object + "@" + made.entry.attribute : made.entry.object);
  std::memcpy(made.bytes.data(), values, made.bytes.size());
}

const std::string& Form::sealed_image() {
  if (H5Fflush(file_.get(), H5F_SCOPE_GLOBAL) < 0) fail("the file's end");
  const auto size = H5Fget_file_image(file_.get(), nullptr, 0);
  if (size <= 0) fail("the file");
  image_.reserve(static_cast<std::size_t>(size) + kRoomForSeal);
  image_.resize(static_cast<std::size_t>(size));
  if (H5Fget_file_image(file_.get(), image_.data(), image_.size()) != size) fail("the file");
  return image_ += seal_of(image_);
}

void Form::fail(const std::string& object) const {
  throw RunError(path_, "cannot write " + object + " (disk full or file system error?)");
}

std::unique_ptr<Form> form_from_shelf(const std::string& likeness) { return shelf().take(likeness); }

void put_on_shelf(const std::string& likeness, std::unique_ptr<Form> form) {
  shelf().put(likeness, std::move(form));
}

bool seen_before(const std::string& likeness) { return shelf().saw(likeness); }

}  // namespace cohlink::h5
