#include "sim/signal/record/capture.h"

#include <algorithm>
#include <cmath>
#include <limits>

#include "sim/signal/record/capture_file.h"
#include "sim/signal/record/dimension_scales.h"
#include "sim/signal/record/hdf5_write.h"
#include "sim/signal/record/sent_data.h"
#include "sim/signal/scenario/errors.h"
#include "sim/signal/version.h"

namespace cohlink {
namespace {

constexpr const char* kKind = "cohlink capture";
constexpr double kFormat = 3;

// Numbers with their unit beside them, each on its axes; nothing where there are none.
class TruthWriter {
 public:
  TruthWriter(h5::NewFile& file, Axes& axes) : file_(file), axes_(axes) {}
  void operator()(const std::string& name, const char* unit, double value) {
    file_.write_scalar(name, value);
    write_unit(file_, name, unit);
  }
  void operator()(const std::string& name, const char* unit, std::span<const double> values,
                  const std::string& axis) {
    put<double>(name, unit, values, axis);
  }
  /// Numbers that are single precision already.
  void singles(const std::string& name, const char* unit, std::span<const double> values,
               const std::string& axis) {
    put<float>(name, unit, std::vector<float>(values.begin(), values.end()), axis);
  }

 private:
  template <class T>
  void put(const std::string& name, const char* unit, std::span<const T> values, const std::string& axis) {
    if (values.empty()) return;
    file_.write<T>(name, values, {values.size()});
    write_unit(file_, name, unit);
    axes_.attach(name, {axis});
  }

  h5::NewFile& file_;
  Axes& axes_;
};

void write_jones(h5::NewFile& file, const Truth& truth, Axes& axes) {
  std::vector<std::complex<double>> flat;
  for (const Jones& jones : truth.jones) {
    for (const auto& row : jones) flat.insert(flat.end(), row.begin(), row.end());
  }
  file.write<std::complex<double>>("/truth/jones", flat,
                                   {truth.jones_time_s.size(), truth.jones_frequency_hz.size(), 2, 2});
  axes.attach("/truth/jones", {"/truth/jones_time_s", "/truth/jones_frequency_hz", "/output_polarisation",
                               "/input_polarisation"});
}

void write_path(h5::NewFile& file, const Truth& truth, Axes& axes) {
  TruthWriter write(file, axes);
  write("/truth/frequency_offset_hz", "Hz", truth.frequency_offset_hz);
  write("/truth/dispersion_ps_per_nm", "ps/nm", truth.dispersion_ps_per_nm);
  write("/truth/dispersion_slope_ps_per_nm2", "ps/nm2", truth.dispersion_slope_ps_per_nm2);
  write("/truth/dgd_ps", "ps", truth.dgd_ps);
  write("/truth/dgd_vector_ps", "ps", truth.dgd_vector_ps, "/stokes");
  write("/truth/second_order_pmd_ps2", "ps2", truth.second_order_pmd_ps2, "/stokes");
  write("/truth/osnr_db", "dB", truth.osnr_db.value_or(std::numeric_limits<double>::infinity()));
  write("/truth/jones_time_s", "s", truth.jones_time_s, "/truth/jones_time_s");
  write("/truth/jones_frequency_hz", "Hz", truth.jones_frequency_hz, "/truth/jones_frequency_hz");
  write_jones(file, truth, axes);
}

// Of a recording whose symbols are known the path is not: nothing is said of it.
void write_truth(h5::NewFile& file, const Truth& truth, Axes& axes) {
  TruthWriter write(file, axes);
  write_sent(file, truth, axes);
  write("/truth/tx_phase_rad", "rad", truth.tx_phase_rad, "/symbol");
  write("/truth/lo_phase_rad", "rad", truth.lo_phase_rad, "/symbol");
  write.singles("/truth/tx_relative_power", "1", truth.tx_relative_power, "/symbol");
  write.singles("/truth/lo_relative_power", "1", truth.lo_relative_power, "/symbol");
  if (truth.tx_carrier_db) write("/truth/tx_carrier_db", "dB", *truth.tx_carrier_db, "/polarisation");
  if (!truth.jones.empty()) write_path(file, truth, axes);
  if (truth.transmitter) write_truth_of(file, *truth.transmitter, axes);
  if (truth.frontend) write_truth_of(file, *truth.frontend, axes);
  if (truth.lanes) write_truth_of(file, *truth.lanes, axes);
}

void label_axes(Axes& axes) {
  axes.labelled("/lane", {"XI", "XQ", "YI", "YQ"});
  for (const char* axis : {"/polarisation", "/input_polarisation", "/output_polarisation"})
    axes.labelled(axis, {"X", "Y"});
  axes.labelled("/photodiode", {"plus", "minus"});
  axes.labelled("/stokes", {"S1", "S2", "S3"});
}

// The numbers of one data set, all of them finite.
template <class T>
std::vector<T> finite_numbers(const h5::File& file, const std::string& name, const h5::Shape& wanted) {
  auto values = file.read<T>(name, wanted);
  for (const auto& value : values)
    if (!std::isfinite(std::abs(value))) throw InputError(file.path(), "data set " + name + " is not finite");
  return values;
}

std::array<double, 3> read_vector(const h5::File& file, const std::string& name) {
  const auto values = file.read<double>(name, {3});
  return {values[0], values[1], values[2]};
}

// Whatever a recording made elsewhere does not know is missing.
void read_lasers(const h5::File& file, Truth& truth) {
  const h5::Shape symbols = {truth.symbols[0].size()};
  const auto read = [&](const std::string& name, std::vector<double>& values) {
    if (file.has(name)) values = finite_numbers<double>(file, name, symbols);
  };
  read("/truth/tx_phase_rad", truth.tx_phase_rad);
  read("/truth/lo_phase_rad", truth.lo_phase_rad);
  read("/truth/tx_relative_power", truth.tx_relative_power);
  read("/truth/lo_relative_power", truth.lo_relative_power);
  if (!file.has("/truth/tx_carrier_db")) return;
  const auto carrier = file.read<double>("/truth/tx_carrier_db", {2});
  truth.tx_carrier_db = {carrier[0], carrier[1]};
}

// [times, frequencies, 2, 2]; files of format 1 know no times.
void read_jones(const h5::File& file, Truth& truth) {
  truth.jones_frequency_hz = finite_numbers<double>(file, "/truth/jones_frequency_hz", {h5::kAnyLength});
  h5::Shape shape = {truth.jones_frequency_hz.size(), 2, 2};
  if (file.has("/truth/jones_time_s")) {
    truth.jones_time_s = finite_numbers<double>(file, "/truth/jones_time_s", {h5::kAnyLength});
    shape.insert(shape.begin(), truth.jones_time_s.size());
  }
  const auto flat = finite_numbers<std::complex<double>>(file, "/truth/jones", shape);
  truth.jones.resize(flat.size() / 4);
  for (std::size_t k = 0; k < truth.jones.size(); ++k) {
    truth.jones[k] = {{{flat[4 * k], flat[4 * k + 1]}, {flat[4 * k + 2], flat[4 * k + 3]}}};
  }
}

void read_path(const h5::File& file, Truth& truth) {
  const auto read = [&](const std::string& name, double& value) {
    if (file.has(name)) value = file.read_scalar(name);
  };
  double osnr = std::numeric_limits<double>::infinity();
  read("/truth/frequency_offset_hz", truth.frequency_offset_hz);
  read("/truth/dispersion_ps_per_nm", truth.dispersion_ps_per_nm);
  read("/truth/dispersion_slope_ps_per_nm2", truth.dispersion_slope_ps_per_nm2);
  read("/truth/dgd_ps", truth.dgd_ps);
  read("/truth/osnr_db", osnr);
  if (std::isfinite(osnr)) truth.osnr_db = osnr;
  if (file.has("/truth/dgd_vector_ps")) truth.dgd_vector_ps = read_vector(file, "/truth/dgd_vector_ps");
  if (file.has("/truth/second_order_pmd_ps2"))
    truth.second_order_pmd_ps2 = read_vector(file, "/truth/second_order_pmd_ps2");
  if (file.has("/truth/jones")) read_jones(file, truth);
}

Truth read_truth(const h5::File& file) {
  Truth truth;
  read_sent(file, truth);
  read_lasers(file, truth);
  read_path(file, truth);
  truth.transmitter = read_transmitter_truth(file);
  truth.frontend = read_frontend_truth(file);
  truth.lanes = read_lane_truth(file);
  return truth;
}

std::uint64_t stored_count(const h5::File& file, const std::string& name) {
  return file.has_attribute("/", name) ? file.attribute_count("/", name) : 0;
}

// Positive and finite, as rates and scales are.
void check_positive(const h5::File& file, const std::string& what, double value) {
  if (!(value > 0.0) || !std::isfinite(value))
    throw InputError(file.path(), what + " is not a positive number");
}

Lanes read_lanes(const h5::File& file) {
  if (!file.has("/adc/samples"))
    throw InputError(file.path(), "not a cohlink capture (no data set /adc/samples)");
  const auto shape = file.shape("/adc/samples");
  if (shape.size() != 2 || shape[0] != 4 || shape[1] == 0)
    throw InputError(file.path(), "/adc/samples must have the shape [4 lanes, samples]");
  if (!file.fits_int16("/adc/samples"))
    throw InputError(file.path(),
                     "/adc/samples must hold 8-bit or signed 16-bit integers (ADC codes); scale other "
                     "samples to such codes first");
  const auto codes = file.read<std::int16_t>("/adc/samples", {4, h5::kAnyLength});
  Lanes lanes(shape[1]);
  std::ranges::copy(codes, lanes.codes().begin());
  return lanes;
}

void read_scales(const h5::File& file, Capture& capture) {
  capture.sample_rate = file.attribute_number("/adc/samples", "sample_rate_hz");
  check_positive(file, "/adc/samples@sample_rate_hz", capture.sample_rate);
  if (!file.has_attribute("/adc/samples", "ampere_per_code")) return;
  const auto scale = file.attribute_numbers("/adc/samples", "ampere_per_code");
  if (scale.size() != 4) throw InputError(file.path(), "/adc/samples@ampere_per_code must hold 4 numbers");
  for (std::size_t lane = 0; lane < 4; ++lane) {
    check_positive(file, "/adc/samples@ampere_per_code", std::abs(scale[lane]));
    capture.ampere_per_code[lane] = scale[lane];
  }
}

/// The scenario with zeros after it, which end a text in HDF5: captures of a data set, whose drawn values
/// have more or fewer digits, then have texts of one length.
std::string padded(std::string text) {
  constexpr std::size_t kStep = 256;
  text.resize((text.size() + kStep - 1) / kStep * kStep);
  return text;
}

/// Of captures that most likely hold the same objects of the same sizes.
std::string likeness_of(const Capture& capture) {
  std::string all;
  const auto add = [&](const auto& what) { all += std::to_string(what) + " "; };
  add(capture.lanes.count()), add(capture.samples()), add(padded(capture.scenario_text).size());
  for (const auto& [name, count] : capture.counters) all += name + " ";
  if (!capture.truth) return all;
  const Truth& truth = *capture.truth;
  add(truth.symbols[0].size()), add(truth.bits[0].size()), add(truth.symbol_role.size());
  add(truth.jones_time_s.size()), add(truth.jones_frequency_hz.size());
  return all;
}

}  // namespace

void write_capture(const Capture& capture, const std::string& path, OnDisk on_disk) {
  const auto fill = [&](h5::NewFile& file) {
    file.attribute("/", "kind", std::string(kKind));
    file.attribute("/", "format", kFormat);
    file.attribute("/", "version", std::string(version().number));
    file.attribute("/", "git_hash", std::string(version().git_hash));
    file.attribute("/", "seed", capture.seed);
    file.attribute("/", "frame", capture.frame);
    file.attribute("/", "point", capture.point);
    Axes axes(file);
    label_axes(axes);
    file.write<std::int16_t>("/adc/samples", capture.lanes.codes(),
                             {capture.lanes.count(), capture.samples()});
    file.attribute("/adc/samples", "lanes", std::string("XI XQ YI YQ"));
    file.attribute("/adc/samples", "sample_rate_hz", capture.sample_rate);
    file.attribute("/adc/samples", "ampere_per_code", std::span<const double>(capture.ampere_per_code));
    write_unit(file, "/adc/samples", "1");
    axes.attach("/adc/samples", {"/lane", "/sample"});
    for (const auto& [name, count] : capture.counters) file.attribute("/adc", name, count);
    if (!capture.scenario_text.empty()) file.write_text("/scenario", padded(capture.scenario_text));
    if (capture.truth) write_truth(file, *capture.truth, axes);
    axes.finish();
  };
  h5::create(path, fill, {likeness_of(capture), on_disk});
}

Capture read_capture(const h5::File& file) {
  if (file.has_attribute("/", "format") && file.attribute_number("/", "format") > kFormat)
    throw InputError(file.path(), "was written in a newer capture format than this program reads (" +
                                      std::to_string(static_cast<int>(kFormat)) + ")");
  Capture capture;
  capture.lanes = read_lanes(file);
  read_scales(file, capture);
  capture.seed = stored_count(file, "seed");
  capture.frame = stored_count(file, "frame");
  capture.point = stored_count(file, "point");
  for (const auto& name : file.attributes("/adc"))
    capture.counters[name] = file.attribute_count("/adc", name);
  if (file.has("/scenario")) capture.scenario_text = file.read_text("/scenario");
  if (file.has("/truth")) capture.truth = read_truth(file);
  return capture;
}

Capture read_capture(const std::string& path) { return read_capture(h5::File::open(path)); }

}  // namespace cohlink
