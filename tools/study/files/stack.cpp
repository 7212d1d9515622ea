#include "tools/study/files/stack.h"

#include <algorithm>
#include <span>

#include "sim/signal/record/dimension_scales.h"
#include "sim/signal/record/hdf5.h"
#include "sim/signal/record/hdf5_write.h"
#include "sim/signal/record/sent_data.h"
#include "sim/signal/scenario/errors.h"
#include "sim/signal/shaping.h"
#include "tools/study/files/study_file.h"

namespace cohlink {
namespace {

constexpr const char* kKind = "cohlink stack";

/// Rows one after another, each brought to one length: cut, or filled up with zeros.
template <class T>
class Stacked {
 public:
  explicit Stacked(std::size_t length) : length_(length) {}
  void add(std::span<const T> row) {
    const std::size_t count = std::min(length_, row.size());
    values_.insert(values_.end(), row.begin(), row.begin() + static_cast<std::ptrdiff_t>(count));
    values_.resize(values_.size() + length_ - count);
  }
  const std::vector<T>& values() const { return values_; }

 private:
  std::size_t length_;
  std::vector<T> values_;
};

template <class Of>
std::size_t common_length(const std::vector<Capture>& captures, bool crop, const Of& of) {
  std::vector<std::size_t> lengths;
  for (const Capture& capture : captures) lengths.push_back(of(capture));
  const auto [least, most] = std::minmax_element(lengths.begin(), lengths.end());
  return crop ? *least : *most;
}

template <class Of>
std::vector<std::uint64_t> counts_of(const std::vector<Capture>& captures, std::size_t length, const Of& of) {
  std::vector<std::uint64_t> counts;
  for (const Capture& capture : captures) counts.push_back(std::min<std::uint64_t>(length, of(capture)));
  return counts;
}

std::size_t samples_of(const Capture& capture) { return capture.samples(); }
std::size_t symbols_of(const Capture& capture) { return capture.truth.value().symbols[0].size(); }

void write_samples(h5::NewFile& file, const std::vector<Capture>& captures, bool crop, Axes& axes) {
  const std::size_t items = captures.size(), length = common_length(captures, crop, samples_of);
  Stacked<std::int16_t> samples(length);
  std::vector<double> rates, scales;
  for (const Capture& capture : captures) {
    for (std::size_t lane = 0; lane < 4; ++lane) samples.add(capture.lanes[lane]);
    rates.push_back(capture.sample_rate);
    scales.insert(scales.end(), capture.ampere_per_code.begin(), capture.ampere_per_code.end());
  }
  file.write<std::int16_t>("/adc/samples", samples.values(), {items, 4, length});
  write_unit(file, "/adc/samples", "1");
  file.write<std::uint64_t>("/adc/samples_of_item", counts_of(captures, length, samples_of), {items});
  file.write<double>("/adc/sample_rate_hz", rates, {items});
  write_unit(file, "/adc/sample_rate_hz", "Hz");
  file.write<double>("/adc/ampere_per_code", scales, {items, 4});
  write_unit(file, "/adc/ampere_per_code", "A");
  axes.attach("/adc/samples", {"/item", "/lane", "/sample"});
  axes.attach("/adc/ampere_per_code", {"/item", "/lane"});
  for (const char* name : {"/adc/samples_of_item", "/adc/sample_rate_hz"}) axes.attach(name, {"/item"});
}

/// The points and labels of a format, once in a file.
void write_format(h5::NewFile& file, Modulation format) {
  const Constellation& points = constellation(format);
  const std::string name = modulation_title(format);
  if (file.has("/truth/constellation/" + name)) return;
  file.write<std::complex<double>>("/truth/constellation/" + name,
                                   std::vector<std::complex<double>>(points.begin(), points.end()));
  file.write<std::uint8_t>("/truth/constellation_bits/" + name, point_labels(format),
                           {points.size(), static_cast<std::size_t>(points.bits())});
  if (points.is_shaped())
    file.write<double>("/truth/constellation_probability/" + name, points.shaping().probability);
}

void write_symbols(h5::NewFile& file, const std::vector<Capture>& captures, bool crop, Axes& axes) {
  const std::size_t items = captures.size(), length = common_length(captures, crop, symbols_of);
  Stacked<std::uint8_t> codes(length);
  std::vector<std::string> formats;
  for (const Capture& capture : captures) {
    const auto sent = sent_codes(*capture.truth);
    if (!sent)
      throw InputError(file.path(), "Gaussian symbols have no codes; give --form files, which keeps them");
    const std::span<const std::uint8_t> both(sent->codes);
    codes.add(both.first(both.size() / 2));
    codes.add(both.last(both.size() / 2));
    write_format(file, sent->format);
    formats.push_back(modulation_title(sent->format));
  }
  file.write<std::uint8_t>("/truth/symbol_codes", codes.values(), {items, 2, length});
  file.write<std::uint64_t>("/truth/symbols_of_item", counts_of(captures, length, symbols_of), {items});
  file.write_texts("/truth/modulation", formats);
  axes.attach("/truth/symbol_codes", {"/item", "/polarisation", "/symbol"});
  for (const char* name : {"/truth/symbols_of_item", "/truth/modulation"}) axes.attach(name, {"/item"});
}

void write_phases(h5::NewFile& file, const std::vector<Capture>& captures, bool crop, Axes& axes) {
  const std::size_t items = captures.size(), length = common_length(captures, crop, symbols_of);
  Stacked<double> tx(length), lo(length);
  for (const Capture& capture : captures)
    tx.add(capture.truth->tx_phase_rad), lo.add(capture.truth->lo_phase_rad);
  file.write<double>("/truth/tx_phase_rad", tx.values(), {items, length});
  file.write<double>("/truth/lo_phase_rad", lo.values(), {items, length});
  for (const char* name : {"/truth/tx_phase_rad", "/truth/lo_phase_rad"}) {
    write_unit(file, name, "rad");
    axes.attach(name, {"/item", "/symbol"});
  }
}

}  // namespace

void write_stack(const std::vector<Capture>& captures, const Table& labels, const Scenario& scenario,
                 bool crop, const std::string& path) {
  h5::create(path, [&](h5::NewFile& file) {
    write_provenance(file, kKind, scenario);
    file.attribute("/", "length", std::string(crop ? "crop" : "pad"));
    Axes axes(file);
    axes.labelled("/lane", {"XI", "XQ", "YI", "YQ"});
    axes.labelled("/polarisation", {"X", "Y"});
    write_samples(file, captures, crop, axes);
    write_symbols(file, captures, crop, axes);
    write_phases(file, captures, crop, axes);
    write_table(file, "/labels", labels);
    for (const Column& column : labels.columns) axes.attach("/labels/" + column.name, {"/item"});
    axes.finish();
  });
}

Table read_stack_labels(const std::string& path, const std::string& remedy) {
  const h5::File file = h5::File::open_sealed(path, remedy);
  if (!file.has_attribute("/", "kind") || file.attribute_text("/", "kind") != kKind)
    throw InputError(path, "is no stack of items; " + remedy);
  return read_table(file, "/labels");
}

std::uint64_t bytes_in_stack(const Capture& capture) {
  return 4 * sizeof(std::int16_t) * samples_of(capture) + (2 + 2 * sizeof(double)) * symbols_of(capture);
}

}  // namespace cohlink
