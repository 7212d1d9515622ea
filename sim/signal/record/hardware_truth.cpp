#include "sim/signal/record/hardware_truth.h"

#include <algorithm>

#include "sim/signal/record/dimension_scales.h"
#include "sim/signal/record/hdf5.h"
#include "sim/signal/record/hdf5_write.h"
#include "sim/signal/record/truth_numbers.h"
#include "sim/signal/scenario/errors.h"

namespace cohlink {
namespace {

using PerSubConverter = std::array<std::vector<double>, 4>;

// One list of names and units a group, for writing and for reading.
template <class Truth, class Visit>
void visit_transmitter(Truth& t, Visit&& visit) {
  visit("skew_ps", "ps", t.skew_ps);
  visit("gain", "1", t.gain);
  visit("phase_error_deg", "deg", t.phase_error_deg);
  visit("xy_power_imbalance_db", "dB", t.xy_power_imbalance_db);
  visit("symbol_rate_hz", "Hz", t.symbol_rate_hz);
  visit("simulated_rate_hz", "Hz", t.simulated_rate_hz);
  visit("roll_off", "1", t.roll_off);
  visit("drive_v_per_unit", "V", t.drive_v_per_unit);
  visit("preemphasis_db", "dB", t.preemphasis_db);
  visit("predistortion_v_pi_v", "V", t.predistortion_v_pi_v);
  visit("v_pi_v", "V", t.v_pi_v);
  visit("bias_deg", "deg", t.bias_deg);
  visit("extinction_db", "dB", t.extinction_db);
  visit("outer_extinction_db", "dB", t.outer_extinction_db);
  visit("dac_sample_rate_hz", "Hz", t.dac_sample_rate_hz);
  visit("dac_bandwidth_hz", "Hz", t.dac_bandwidth_hz);
  visit("dac_bandwidth_order", "1", t.dac_bandwidth_order);
  visit("dac_bits", "bit", t.dac_bits);
  visit("dac_loading_db", "dB", t.dac_loading_db);
  visit("dac_enob", "bit", t.dac_enob);
  visit("driver_saturation_v", "V", t.driver_saturation_v);
}

template <class Truth, class Visit>
void visit_frontend(Truth& t, Visit&& visit) {
  visit("signal_power_w", "W", t.signal_power_w);
  visit("lo_power_w", "W", t.lo_power_w);
  visit("responsivity_a_per_w", "A/W", t.responsivity_a_per_w);
  visit("cmrr_db", "dB", t.cmrr_db);
  visit("hybrid_phase_error_deg", "deg", t.hybrid_phase_error_deg);
  visit("splitter_imbalance_db", "dB", t.splitter_imbalance_db);
  visit("combiner_imbalance_db", "dB", t.combiner_imbalance_db);
  visit("coupler_phase_error_deg", "deg", t.coupler_phase_error_deg);
  visit("pn_skew_ps", "ps", t.pn_skew_ps);
  visit("thermal_noise_a_per_sqrt_hz", "A/sqrt(Hz)", t.thermal_noise_a_per_sqrt_hz);
  visit("dark_current_a", "A", t.dark_current_a);
  visit("pbs_angle_deg", "deg", t.pbs_angle_deg);
  visit("pbs_extinction_db", "dB", t.pbs_extinction_db);
}

template <class Truth, class Visit>
void visit_lanes(Truth& t, Visit&& visit) {
  visit("source_lane", "1", t.source_lane);
  visit("skew_ps", "ps", t.skew_ps);
  visit("gain", "1", t.gain);
  visit("offset_of_full_scale", "1", t.offset_of_full_scale);
  visit("transimpedance_ohm", "ohm", t.transimpedance_ohm);
  visit("interleaving_gain", "1", t.interleaving_gain);
  visit("interleaving_offset_of_full_scale", "1", t.interleaving_offset_of_full_scale);
  visit("interleaving_skew_ps", "ps", t.interleaving_skew_ps);
  visit("bandwidth_hz", "Hz", t.bandwidth_hz);
  visit("own_bandwidth_hz", "Hz", t.own_bandwidth_hz);
  visit("bandwidth_order", "1", t.bandwidth_order);
  visit("low_cutoff_hz", "Hz", t.low_cutoff_hz);
  visit("saturation_v", "V", t.saturation_v);
  visit("bits", "bit", t.bits);
  visit("enob", "bit", t.enob);
  visit("jitter_fs", "fs", t.jitter_fs);
  visit("clock_offset_ppm", "ppm", t.clock_offset_ppm);
  visit("clock_phase_samples", "samples", t.clock_phase_samples);
  visit("sine_jitter_fs", "fs", t.sine_jitter_fs);
  visit("sine_jitter_rate_hz", "Hz", t.sine_jitter_rate_hz);
  visit("sine_jitter_phase_rad", "rad", t.sine_jitter_phase_rad);
}

class Writer {
 public:
  Writer(h5::NewFile& file, Axes& axes, std::string group)
      : file_(file), axes_(axes), group_(std::move(group)) {}

  template <class Value>
  void operator()(const char* name, const char* unit, const Value& value) {
    put({group_ + name, unit}, value);
  }

 private:
  struct Number {
    std::string name;
    const char* unit;
  };

  void put(const Number& number, double value) {
    file_.write_scalar(number.name, value);
    write_unit(file_, number.name, number.unit);
  }
  template <std::size_t n>
  void put(const Number& number, const std::array<double, n>& values) {
    static_assert(n == 4 || n == 2, "a number for each lane or polarisation");
    put_values(number, values, {n}, {n == 4 ? "/lane" : "/polarisation"});
  }
  void put(const Number& number, const PerPhotodiode& rows) { put_rows(number, rows, "/photodiode"); }
  void put(const Number& number, const PerSubConverter& rows) { put_rows(number, rows, "/sub_converter"); }
  template <class T>
  void put(const Number& number, const std::optional<T>& value) {
    if (value) put(number, *value);
  }
  template <class Rows>
  void put_rows(const Number& number, const Rows& rows, const char* axis) {
    std::vector<double> flat;
    for (const auto& row : rows) flat.insert(flat.end(), row.begin(), row.end());
    put_values(number, flat, {rows.size(), rows[0].size()}, {"/lane", axis});
  }
  void put_values(const Number& number, std::span<const double> values, const h5::Shape& shape,
                  const std::vector<std::string>& axes) {
    file_.write<double>(number.name, values, shape);
    axes_.attach(number.name, axes);
    write_unit(file_, number.name, number.unit);
  }

  h5::NewFile& file_;
  Axes& axes_;
  std::string group_;
};

class Reader {
 public:
  Reader(const h5::File& file, std::string group) : file_(file), group_(std::move(group)) {}

  template <class Value>
  void operator()(const char* name, const char*, Value& value) {
    if (file_.has(group_ + name)) get(group_ + name, value);
  }

 private:
  void get(const std::string& name, double& value) { value = file_.read_scalar(name); }
  template <std::size_t n>
  void get(const std::string& name, std::array<double, n>& values) {
    std::ranges::copy(file_.read<double>(name, {n}), values.begin());
  }
  void get(const std::string& name, PerPhotodiode& rows) {
    const auto flat = file_.read<double>(name, {4, 2});
    for (std::size_t l = 0; l < 4; ++l) rows[l] = {flat[2 * l], flat[2 * l + 1]};
  }
  void get(const std::string& name, PerSubConverter& rows) {
    const auto flat = file_.read<double>(name, {4, h5::kAnyLength});
    const auto count = static_cast<std::ptrdiff_t>(flat.size() / 4);
    for (std::ptrdiff_t l = 0; l < 4; ++l)
      rows[static_cast<std::size_t>(l)].assign(flat.begin() + l * count, flat.begin() + (l + 1) * count);
  }
  template <class T>
  void get(const std::string& name, std::optional<T>& value) {
    get(name, value.emplace());
  }

  const h5::File& file_;
  std::string group_;
};

class Lister {
 public:
  template <class Value>
  void operator()(const char* name, const char* unit, const Value& value) {
    put({name, unit, {}, {}}, value);
  }
  std::vector<TruthNumber> numbers;

 private:
  void put(TruthNumber number, double value) {
    number.values = {value};
    numbers.push_back(std::move(number));
  }
  template <std::size_t n>
  void put(TruthNumber number, const std::array<double, n>& values) {
    number.shape = {n};
    number.values.assign(values.begin(), values.end());
    numbers.push_back(std::move(number));
  }
  void put(TruthNumber number, const PerPhotodiode& rows) { put_rows(std::move(number), rows); }
  void put(TruthNumber number, const PerSubConverter& rows) { put_rows(std::move(number), rows); }
  template <class T>
  void put(TruthNumber number, const std::optional<T>& value) {
    if (value) put(std::move(number), *value);
  }
  template <class Rows>
  void put_rows(TruthNumber number, const Rows& rows) {
    number.shape = {rows.size(), rows[0].size()};
    for (const auto& row : rows) number.values.insert(number.values.end(), row.begin(), row.end());
    numbers.push_back(std::move(number));
  }
};

constexpr const char *kTransmitter = "/truth/transmitter", *kFrontend = "/truth/frontend",
                     *kLanes = "/truth/lanes";

std::string within(const char* group) { return std::string(group) + "/"; }

}  // namespace

void write_truth_of(h5::NewFile& file, const TransmitterTruth& truth, Axes& axes) {
  visit_transmitter(truth, Writer(file, axes, within(kTransmitter)));
}
void write_truth_of(h5::NewFile& file, const FrontendTruth& truth, Axes& axes) {
  visit_frontend(truth, Writer(file, axes, within(kFrontend)));
}
void write_truth_of(h5::NewFile& file, const LaneTruth& truth, Axes& axes) {
  visit_lanes(truth, Writer(file, axes, within(kLanes)));
}

std::optional<TransmitterTruth> read_transmitter_truth(const h5::File& file) {
  std::optional<TransmitterTruth> truth;
  if (file.has(kTransmitter)) visit_transmitter(truth.emplace(), Reader(file, within(kTransmitter)));
  return truth;
}
std::optional<FrontendTruth> read_frontend_truth(const h5::File& file) {
  std::optional<FrontendTruth> truth;
  if (file.has(kFrontend)) visit_frontend(truth.emplace(), Reader(file, within(kFrontend)));
  return truth;
}
std::optional<LaneTruth> read_lane_truth(const h5::File& file) {
  std::optional<LaneTruth> truth;
  if (file.has(kLanes)) visit_lanes(truth.emplace(), Reader(file, within(kLanes)));
  return truth;
}

std::vector<TruthNumber> numbers_of(const TransmitterTruth& truth) {
  Lister list;
  visit_transmitter(truth, list);
  return std::move(list.numbers);
}

std::vector<TruthNumber> numbers_of(const FrontendTruth& truth) {
  Lister list;
  visit_frontend(truth, list);
  return std::move(list.numbers);
}

std::vector<TruthNumber> numbers_of(const LaneTruth& truth) {
  Lister list;
  visit_lanes(truth, list);
  return std::move(list.numbers);
}

}  // namespace cohlink
