#include "sim/signal/record/hdf5_write.h"

#include <algorithm>
#include <memory>
#include <stdexcept>
#include <utility>

#include "sim/signal/record/hdf5_form.h"
#include "sim/signal/record/hdf5_types.h"

namespace cohlink::h5 {
namespace {

using Kind = Entry::Kind;

/// Thrown through `fill` to who called it.
struct NotAlike {};

template <class T>
Entry numbers(Kind kind, const std::string& object, const std::string& attribute, const Shape& shape) {
  static const Handle& type = *new Handle(memory_type<T>());  // left to the library
  return {kind, object, attribute, type.get(), sizeof(T), shape};
}

/// An empty text is one zero.
Entry texts(Kind kind, const std::string& object, const std::string& attribute, std::size_t length,
            const Shape& shape) {
  return {kind, object, attribute, -1, std::max<std::size_t>(1, length), shape};
}

template <class T>
Entry array_of(Kind kind, const std::string& dataset, std::span<const T> values, const Shape& shape) {
  Entry entry = numbers<T>(kind, dataset, "", shape);
  if (entry.bytes() != values.size_bytes()) throw std::logic_error("shape and values differ: " + dataset);
  return entry;
}

}  // namespace

NewFile::NewFile(std::string path, Form& form)
    : path_(std::move(path)), form_(form), replacing_(form.count() > 0) {}

bool NewFile::has(const std::string& dataset) const { return form_.place_of(dataset) < next_; }

const Shape& NewFile::shape(const std::string& dataset) const {
  const std::size_t place = form_.place_of(dataset);
  if (place >= next_) throw std::logic_error("not written: " + dataset);
  return form_[place].shape;
}

hid_t NewFile::opened(const std::string& object) { return form_.opened(object); }

void NewFile::once(const std::string& what, const std::function<bool()>& act) {
  if (!replacing_ && !act()) throw RunError(path_, "cannot write its axes");
  put({Kind::kDone, what, "", -1, 0, {}}, nullptr);
}

void NewFile::put(Entry entry, const void* values) {
  if (!replacing_)
    form_.add(std::move(entry), values);
  else if (next_ == form_.count() || form_[next_] != entry)
    throw NotAlike{};
  else
    form_.replace(next_, values);
  ++next_;
}

template <class T>
void NewFile::write(const std::string& dataset, std::span<const T> values, const Shape& shape) {
  put(array_of(Kind::kDataset, dataset, values, shape), values.data());
}

void NewFile::write_scalar(const std::string& dataset, double value) {
  put(numbers<double>(Kind::kDataset, dataset, "", {}), &value);
}

void NewFile::write_deflated(const std::string& dataset, std::span<const std::uint8_t> values,
                             const Shape& shape) {
  put(array_of(Kind::kDeflated, dataset, values, shape), values.data());
}

void NewFile::reserve(const std::string& dataset, const Shape& shape) {
  put(numbers<std::uint8_t>(Kind::kReserved, dataset, "", shape), nullptr);
}

void NewFile::write_text(const std::string& dataset, const std::string& text) {
  put(texts(Kind::kDataset, dataset, "", text.size(), {}), text.c_str());
}

void NewFile::write_texts(const std::string& dataset, const std::vector<std::string>& texts_) {
  std::size_t longest = 1;
  for (const auto& text : texts_) longest = std::max(longest, text.size());
  std::string rows;
  for (const auto& text : texts_) rows += text + std::string(longest - text.size(), '\0');
  put(texts(Kind::kDataset, dataset, "", longest, {texts_.size()}), rows.data());
}

void NewFile::attribute(const std::string& object, const std::string& name, const std::string& text) {
  put(texts(Kind::kAttribute, object, name, text.size(), {}), text.c_str());
}
void NewFile::attribute(const std::string& object, const std::string& name, double value) {
  put(numbers<double>(Kind::kAttribute, object, name, {}), &value);
}
void NewFile::attribute(const std::string& object, const std::string& name, std::uint64_t value) {
  put(numbers<std::uint64_t>(Kind::kAttribute, object, name, {}), &value);
}
void NewFile::attribute(const std::string& object, const std::string& name, std::span<const double> values) {
  put(numbers<double>(Kind::kAttribute, object, name, {values.size()}), values.data());
}

void fill_form(const std::string& path, const std::function<void(NewFile&)>& fill, Form& form) {
  NewFile file(path, form);
  fill(file);
  if (file.next_ != form.count()) throw NotAlike{};
}

namespace {

/// An earlier file of the likeness, with this one's content; nothing where there is none, or it is none.
std::unique_ptr<Form> form_of_earlier(const std::string& path, const std::function<void(NewFile&)>& fill,
                                      const std::string& likeness) {
  std::unique_ptr<Form> form = likeness.empty() ? nullptr : form_from_shelf(likeness);
  if (!form) return nullptr;
  form->name(path);
  try {
    fill_form(path, fill, *form);
    return form;
  } catch (const NotAlike&) {
    return nullptr;
  }
}

std::unique_ptr<Form> new_form(const std::string& path, const std::function<void(NewFile&)>& fill,
                               const std::string& likeness) {
  auto form = std::make_unique<Form>(path, !likeness.empty() && seen_before(likeness));
  fill_form(path, fill, *form);
  return form;
}

}  // namespace

void create(const std::string& path, const std::function<void(NewFile&)>& fill, const Making& making) {
  silence();
  output_target(path);  // said before any work
  std::unique_ptr<Form> form = form_of_earlier(path, fill, making.likeness);
  if (!form) form = new_form(path, fill, making.likeness);
  write_atomically(path, form->sealed_image(), making.on_disk);
  if (form->is_keeping()) put_on_shelf(making.likeness, std::move(form));
}

#define COHLINK_H5_INSTANTIATE(T) \
  template void NewFile::write<T>(const std::string&, std::span<const T>, const Shape&);
COHLINK_H5_ELEMENTS(COHLINK_H5_INSTANTIATE)
#undef COHLINK_H5_INSTANTIATE

}  // namespace cohlink::h5
