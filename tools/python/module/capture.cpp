// Captures: simulated, read, made from arrays; their lanes and their truth.
#include "sim/signal/record/capture.h"

#include <pybind11/stl.h>

#include <limits>

#include "rx/stage/block.h"
#include "sim/link.h"
#include "sim/signal/line/read_line.h"
#include "sim/signal/record/known_symbols.h"
#include "sim/signal/record/sent_data.h"
#include "sim/signal/record/sigmf.h"
#include "sim/signal/record/truth_numbers.h"
#include "tools/python/module/support.h"
#include "tools/study/cautions.h"

namespace cohlink::python {
namespace {

using Held = std::shared_ptr<Capture>;

/// (lanes, samples), a view of the capture's own memory, which it keeps alive. Read-only: a capture is a
/// record, and what was received from it should stay true.
py::array lanes_of(const py::object& self) {
  const Capture& capture = self.cast<const Capture&>();
  const auto lanes = static_cast<py::ssize_t>(capture.lanes.count()),
             samples = static_cast<py::ssize_t>(capture.samples());
  const py::array_t<std::int16_t> view({lanes, samples}, capture.lanes.codes().data(), self);
  view.attr("setflags")(false);
  return view;
}

template <class Row>
py::object two_rows(const std::array<Row, 2>& rows) {
  using T = typename Row::value_type;
  const auto n = static_cast<py::ssize_t>(rows[0].size());
  py::array_t<T> out({py::ssize_t{2}, n});
  std::copy(rows[0].begin(), rows[0].end(), out.mutable_data());
  std::copy(rows[1].begin(), rows[1].end(), out.mutable_data() + n);
  return out;
}

py::object row(std::span<const double> values) {
  if (values.empty()) return py::none();
  return array_of(values, {static_cast<py::ssize_t>(values.size())});
}

py::object jones(const Truth& truth) {
  std::vector<std::complex<double>> flat;
  for (const Jones& matrix : truth.jones)
    for (const auto& outputs : matrix) flat.insert(flat.end(), outputs.begin(), outputs.end());
  if (flat.empty()) return py::none();
  const auto times = static_cast<py::ssize_t>(truth.jones_time_s.size());
  return array_of(std::span<const std::complex<double>>(flat),
                  {times, static_cast<py::ssize_t>(truth.jones.size()) / times, 2, 2});
}

/// (2, symbols): the number of each symbol's point.
py::object codes(const Truth& truth) {
  const auto sent = sent_codes(truth);
  if (!sent) return py::none();
  return array_of(std::span<const std::uint8_t>(sent->codes),
                  {py::ssize_t{2}, static_cast<py::ssize_t>(sent->codes.size() / 2)});
}

py::object points(const Truth& truth) {
  const auto sent = sent_codes(truth);
  if (!sent) return py::none();
  const Constellation& format = constellation(sent->format);
  return array_of(std::span<const std::complex<double>>(std::to_address(format.begin()), format.size()),
                  {static_cast<py::ssize_t>(format.size())});
}

/// (points, bits a symbol)
py::object labels(const Truth& truth) {
  const auto sent = sent_codes(truth);
  if (!sent) return py::none();
  const Bits bits = point_labels(sent->format);
  const auto size = static_cast<py::ssize_t>(constellation(sent->format).size());
  return array_of(std::span<const std::uint8_t>(bits), {size, static_cast<py::ssize_t>(bits.size()) / size});
}

/// (points,): how often each is sent.
py::object probabilities(const Truth& truth) {
  if (!truth.shaped) return py::none();
  const std::vector<double>& shares = constellation(*truth.shaped).shaping().probability;
  return array_of(std::span<const double>(shares), {static_cast<py::ssize_t>(shares.size())});
}

py::object group(const std::vector<TruthNumber>& numbers) {
  py::dict out;
  for (const TruthNumber& number : numbers) {
    const std::vector<py::ssize_t> shape(number.shape.begin(), number.shape.end());
    py::object value = shape.empty() ? py::object(py::float_(number.values[0]))
                                     : py::object(array_of(std::span<const double>(number.values), shape));
    out[py::str(number.name)] = py::make_tuple(value, number.unit);
  }
  return out;
}

template <class Hardware>
py::object group(const std::optional<Hardware>& truth) {
  return truth ? group(numbers_of(*truth)) : py::none();
}

/// One thing that is true, by the name that files have it by; None where it is not there.
struct TruthItem {
  const char *name, *unit;
  py::object (*value)(const Truth&);
};

const TruthItem kTruth[] = {
    {"bits", "", [](const Truth& t) { return two_rows(t.bits); }},
    {"symbols", "", [](const Truth& t) { return two_rows(t.symbols); }},
    {"symbol_codes", "", codes},
    {"constellation", "", points},
    {"constellation_bits", "", labels},
    {"constellation_probability", "", probabilities},
    {"tx_phase_rad", "rad", [](const Truth& t) { return row(t.tx_phase_rad); }},
    {"lo_phase_rad", "rad", [](const Truth& t) { return row(t.lo_phase_rad); }},
    {"tx_relative_power", "1", [](const Truth& t) { return row(t.tx_relative_power); }},
    {"lo_relative_power", "1", [](const Truth& t) { return row(t.lo_relative_power); }},
    {"tx_carrier_db", "dB",
     [](const Truth& t) { return t.tx_carrier_db ? row(*t.tx_carrier_db) : py::object(py::none()); }},
    {"frequency_offset_hz", "Hz",
     [](const Truth& t) { return py::object(py::float_(t.frequency_offset_hz)); }},
    {"dispersion_ps_per_nm", "ps/nm",
     [](const Truth& t) { return py::object(py::float_(t.dispersion_ps_per_nm)); }},
    {"dispersion_slope_ps_per_nm2", "ps/nm2",
     [](const Truth& t) { return py::object(py::float_(t.dispersion_slope_ps_per_nm2)); }},
    {"dgd_ps", "ps", [](const Truth& t) { return py::object(py::float_(t.dgd_ps)); }},
    {"dgd_vector_ps", "ps", [](const Truth& t) { return row(t.dgd_vector_ps); }},
    {"second_order_pmd_ps2", "ps2", [](const Truth& t) { return row(t.second_order_pmd_ps2); }},
    {"osnr_db", "dB",
     [](const Truth& t) {
       return py::object(py::float_(t.osnr_db.value_or(std::numeric_limits<double>::infinity())));
     }},
    {"jones_time_s", "s", [](const Truth& t) { return row(t.jones_time_s); }},
    {"jones_frequency_hz", "Hz", [](const Truth& t) { return row(t.jones_frequency_hz); }},
    {"jones", "", jones},
    {"transmitter", "", [](const Truth& t) { return group(t.transmitter); }},
    {"frontend", "", [](const Truth& t) { return group(t.frontend); }},
    {"lanes", "", [](const Truth& t) { return group(t.lanes); }},
};

py::object truth_value(const Capture& capture, const std::string& name) {
  if (!capture.truth) return py::none();
  for (const TruthItem& item : kTruth)
    if (name == item.name) return item.value(*capture.truth);
  throw py::key_error(name);
}

/// {name: unit}
py::dict truth_units() {
  py::dict units;
  for (const TruthItem& item : kTruth) units[item.name] = item.unit;
  return units;
}

/// Simulates one frame; gives the capture and the cautions that go with it.
py::tuple simulate(const Scenario& given, std::uint64_t frame, std::uint64_t point,
                   const py::object& progress) {
  const Scenario scenario = given;
  const FftCache& fft = plans(scenario);
  auto capture = std::make_shared<Capture>();
  double peak = 0.0;
  run_watched(fft, progress, [&](const Watch& watch) {
    const Link link(scenario, watch.execution());
    peak = link.peak_fibre_power();
    *capture = link(frame, point);
  });
  std::vector<std::string> cautions = set_up_cautions_of(scenario);
  if (const auto text = hazard_caution(peak)) cautions.push_back(*text);
  if (const auto text = unread_caution(scenario)) cautions.push_back(*text);
  return py::make_tuple(capture, cautions);
}

/// Known symbols (2, n) of a recording, with the bits that they stand for.
Truth truth_of_symbols(
    const py::array_t<std::complex<double>, py::array::c_style | py::array::forcecast>& sent,
    const Scenario& scenario) {
  if (sent.ndim() != 2 || sent.shape(0) != 2 || sent.shape(1) == 0)
    throw py::type_error("symbols: expected the shape (2, n)");
  const auto n = static_cast<std::size_t>(sent.shape(1));
  Truth truth;
  const Modulation modulation = modulation_of(scenario);
  if (modulation.shaped() != nullptr) truth.shaped = modulation;
  for (std::size_t p = 0; p < 2; ++p) {
    truth.symbols[p].assign(sent.data() + p * n, sent.data() + (p + 1) * n);
    if (constellation(modulation).empty()) continue;
    if (!settle_on_points(modulation, truth.symbols[p]))
      scenario.reject("signal.modulation", "has other points than the symbols given have");
    truth.bits[p] = decide_bits(modulation, truth.symbols[p], scenario.boolean("signal.differential"));
  }
  return truth;
}

Held capture_of(const py::array_t<std::int16_t, py::array::c_style>& lanes, double sample_rate,
                const std::array<double, 4>& ampere_per_code, const Scenario* scenario,
                const py::object& symbols) {
  if (lanes.ndim() != 2 || (lanes.shape(0) != 4 && lanes.shape(0) != 2) || lanes.shape(1) == 0)
    throw py::type_error("lanes: expected int16 of the shape (4, n): XI XQ YI YQ, or (2, n): X alone");
  auto capture = std::make_shared<Capture>();
  capture->lanes = Lanes(static_cast<std::size_t>(lanes.shape(1)), static_cast<std::size_t>(lanes.shape(0)));
  std::copy_n(lanes.data(), lanes.size(), capture->lanes.codes().data());
  capture->sample_rate = sample_rate;
  capture->ampere_per_code = ampere_per_code;
  if (scenario != nullptr) capture->scenario_text = scenario->resolved();
  if (!symbols.is_none()) capture->truth = truth_of_symbols(symbols, scenario ? *scenario : Scenario());
  return capture;
}

/// Optical carrier [Hz] by the capture's scenario.
double carrier_of(const Capture& capture, const std::string& path) {
  if (capture.scenario_text.empty())
    throw RunError(path,
                   "a SigMF recording says its optical carrier; the capture has no scenario that tells it");
  Scenario scenario;
  scenario.read_text(capture.scenario_text, "the capture's scenario");
  return read_line(scenario).carrier();
}

void save(const Capture& capture, const std::string& path) {
  if (names_sigmf(path)) return write_sigmf(capture, carrier_of(capture, path), path);
  if (capture.one_polarisation())
    throw RunError(path, "the capture file has four lanes; X alone is no such file");
  write_capture(capture, path);
}

}  // namespace

void bind_capture(py::module_& module) {
  py::class_<Capture, Held>(module, "Capture")
      .def_property_readonly("lanes", &lanes_of)
      .def_property_readonly("sample_rate_hz", [](const Capture& c) { return c.sample_rate; })
      .def_property_readonly("ampere_per_code", [](const Capture& c) { return row(c.ampere_per_code); })
      .def_property_readonly("scenario_text", [](const Capture& c) { return c.scenario_text; })
      .def_property_readonly("seed", [](const Capture& c) { return c.seed; })
      .def_property_readonly("frame", [](const Capture& c) { return c.frame; })
      .def_property_readonly("point", [](const Capture& c) { return c.point; })
      .def_property_readonly("counters", [](const Capture& c) { return c.counters; })
      .def_property_readonly("has_truth", [](const Capture& c) { return c.truth.has_value(); })
      .def("truth_value", &truth_value)
      // The lock of the interpreter is kept here and in load: not every HDF5 library bears two threads, and
      // h5py shares ours.
      .def("save", &save);
  module.def("truth_units", &truth_units);
  module.def("simulate", &simulate);
  module.def("capture_of", &capture_of);
  module.def("load", [](const std::string& path) { return std::make_shared<Capture>(read_capture(path)); });
}

}  // namespace cohlink::python
