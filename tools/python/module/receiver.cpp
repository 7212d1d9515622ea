// The receiver, whole or as far as a block, with functions of Python's in the places of blocks; scoring.
#include "rx/receiver.h"

#include <pybind11/stl.h>

#include "rx/recording/lane_arrangement.h"
#include "rx/recording/lane_health.h"
#include "sim/signal/units.h"
#include "tools/python/module/support.h"
#include "tools/study/files/decided.h"
#include "tools/study/plan/outputs.h"
#include "tools/study/plan/refusals.h"

namespace cohlink::python {
namespace {

/// A receiver with the scenario that it was made from.
class Reception {
 public:
  explicit Reception(const Scenario& scenario)
      : scenario_(scenario), receiver_(scenario_, plans(scenario_)) {}

  std::vector<std::string> blocks() const { return receiver_.blocks(); }
  const Scenario& scenario() const { return scenario_; }

  void replace(const std::string& block, const py::object& function, double edge, bool with_context);
  std::shared_ptr<ReceiverResult> run(const Capture& capture, bool record) const;
  Interim until(const Capture& capture, const std::string& block) const;
  std::shared_ptr<ReceiverResult> judge(const Capture& capture, const py::object& symbols, std::size_t skip,
                                        const Interim* after) const;

 private:
  Scenario scenario_;
  Receiver receiver_;
  bool replaced_ = false;  // whoever's function stands in a block is not called again without being asked
};

/// Lets go of a Python object from whatever thread.
std::shared_ptr<py::object> shared(const py::object& object) {
  return {new py::object(object), [](py::object* held) {
            const py::gil_scoped_acquire lock;
            delete held;
          }};
}

void Reception::replace(const std::string& block, const py::object& function, double edge,
                        bool with_context) {
  const auto held = shared(function);
  replaced_ = true;
  const std::string who = "the function in the place of block '" + block + "'";
  receiver_.replace(
      block,
      [held, who, with_context](const Field<float>& signal, const BlockContext& context) {
        const py::gil_scoped_acquire lock;
        const py::object out = with_context ? (*held)(to_array(signal), context) : (*held)(to_array(signal));
        Field<float> field = to_field(out, context.sample_rate, who);
        if (field.y.empty()) throw py::type_error(who + ": expected two rows, X and Y");
        return field;
      },
      edge);
}

/// What the samples alone say of the lanes; without known symbols a lane that is no signal's is no lock.
void add_lane_findings(const Capture& capture, ReceiverResult& result) {
  auto found = lane_findings(capture);
  if (!found.faults.empty() && !capture.truth) result.locked = false;
  for (auto* texts : {&found.faults, &found.warnings})
    result.warnings.insert(result.warnings.end(), texts->begin(), texts->end());
}

std::shared_ptr<ReceiverResult> Reception::run(const Capture& capture, bool record) const {
  refuse_sparse_samples(capture.sample_rate, scenario_, "the capture");
  const py::gil_scoped_release release;
  auto result = std::make_shared<ReceiverResult>(
      receiver_(capture, record, [](const std::string&, const Field<float>&) {
        const py::gil_scoped_acquire lock;
        if (PyErr_CheckSignals() != 0) throw py::error_already_set();
      }));
  if (!replaced_ && scenario_.boolean("trace.check_lanes")) name_lane_fault(receiver_, capture, *result);
  add_lane_findings(capture, *result);
  return result;
}

Interim Reception::until(const Capture& capture, const std::string& block) const {
  const py::gil_scoped_release release;
  return receiver_.until(capture, block);
}

std::shared_ptr<ReceiverResult> Reception::judge(const Capture& capture, const py::object& symbols,
                                                 std::size_t skip, const Interim* after) const {
  Field<float> field = to_field(symbols, scenario_.number("signal.symbol_rate_gbd") * 1e9, "symbols");
  const py::gil_scoped_release release;
  if (after == nullptr)
    return std::make_shared<ReceiverResult>(receiver_.judge(capture, std::move(field), skip));
  Interim interim = *after;
  interim.signal = std::move(field);
  interim.state.cut += static_cast<double>(skip);
  return std::make_shared<ReceiverResult>(receiver_.judge(capture, std::move(interim)));
}

/// Bits (2, n) or (n), one an element, as the symbols that they stand for.
py::object map_rows(const Scenario& scenario,
                    const py::array_t<std::uint8_t, py::array::c_style | py::array::forcecast>& bits) {
  const bool alone = bits.ndim() == 1;
  if (!alone && !(bits.ndim() == 2 && bits.shape(0) == 2))
    throw py::type_error("bits: expected the shape (2, n)");
  const py::ssize_t length = alone ? bits.size() : bits.shape(1);
  std::array<Bits, 2> rows;
  rows[0].assign(bits.data(), bits.data() + length);
  if (!alone) rows[1].assign(bits.data() + length, bits.data() + 2 * length);
  const Field<float> symbols = symbols_of_bits(rows, scenario);
  if (!alone) return to_array(symbols);
  return array_of(std::span<const std::complex<float>>(symbols.x),
                  {static_cast<py::ssize_t>(symbols.size())});
}

py::object stages_of(const ReceiverResult& result) {
  py::list stages;
  for (const Stage& stage : result.stages) {
    py::dict out;
    out["block"] = stage.block;
    out["samples_per_symbol"] = stage.samples_per_symbol;
    const auto n = std::min(stage.points[0].size(), stage.points[1].size());
    py::array_t<std::complex<float>> points({py::ssize_t{2}, static_cast<py::ssize_t>(n)});
    for (std::size_t p = 0; p < 2; ++p)
      std::copy_n(stage.points[p].begin(), n, points.mutable_data() + p * n);
    out["points"] = points;
    stages.append(out);
  }
  return stages;
}

std::optional<double> dispersion_of(const ReceiverResult& result) {
  if (!result.beta2_length) return std::nullopt;
  return result.in_ps_per_nm(*result.beta2_length);  // ps/nm
}

py::object taps_of(const ReceiverResult& result) {
  std::vector<std::complex<float>> flat;
  for (const auto& output : result.taps)
    for (const auto& filter : output) flat.insert(flat.end(), filter.begin(), filter.end());
  if (flat.empty()) return py::none();
  return array_of(std::span<const std::complex<float>>(flat),
                  {2, 2, static_cast<py::ssize_t>(flat.size()) / 4});
}

template <class Get>
auto of_score(Get get) {
  return
      [get](const ReceiverResult& r) { return r.score ? py::cast(get(*r.score)) : py::object(py::none()); };
}

void bind_score(py::class_<ReceiverResult, std::shared_ptr<ReceiverResult>>& result) {
  const auto number = [&](const char* name, auto get) { result.def_property_readonly(name, of_score(get)); };
  number("ber", [](const Score& s) { return s.both.ber(); });
  number("ber_interval", [](const Score& s) { return std::make_tuple(s.interval.low, s.interval.high); });
  number("errors", [](const Score& s) { return s.both.errors; });
  number("bits", [](const Score& s) { return s.both.bits; });
  number("ber_xy",
         [](const Score& s) { return std::make_tuple(s.polarisation[0].ber(), s.polarisation[1].ber()); });
  number("q_db", [](const Score& s) { return s.q_db; });
  number("slips", [](const Score& s) { return s.cycle_slips; });
  number("misplaced_symbols", [](const Score& s) { return s.misplaced; });
  number("scored_symbols", [](const Score& s) { return s.symbols; });
  number("snr_xy_db",
         [](const Score& s) { return std::make_tuple(s.snr_db_polarisation[0], s.snr_db_polarisation[1]); });
  number("mi_bits", [](const Score& s) { return s.information.mutual_bits; });
  number("gmi_bits", [](const Score& s) { return s.information.generalised_bits; });
  number("ngmi", [](const Score& s) { return s.information.normalised; });
  number("swapped", [](const Score& s) { return s.swapped; });
  number("quarter_turns",
         [](const Score& s) { return std::make_tuple(s.quarter_turns[0], s.quarter_turns[1]); });
  number("delay_symbols",
         [](const Score& s) { return std::make_tuple(s.delay_symbols[0], s.delay_symbols[1]); });
}

void bind_result(py::module_& module) {
  py::class_<ReceiverResult, std::shared_ptr<ReceiverResult>> result(module, "Result");
  bind_score(result);
  result.def_property_readonly("symbols", [](const ReceiverResult& r) { return to_array(r.symbols); })
      .def_property_readonly("first", [](const ReceiverResult& r) { return r.first_judged; })
      .def_property_readonly("judged_symbols", [](const ReceiverResult& r) { return r.judged_symbols; })
      .def_property_readonly("discarded_symbols", [](const ReceiverResult& r) { return r.discarded_symbols; })
      .def_property_readonly("stages", &stages_of)
      .def_property_readonly("taps", &taps_of)
      .def_property_readonly("outputs", [](const ReceiverResult& r) { return outputs_of(r); })
      .def_readonly("locked", &ReceiverResult::locked)
      .def_readonly("snr_db", &ReceiverResult::snr_db)
      .def_readonly("evm_percent", &ReceiverResult::evm_percent)
      .def_readonly("frequency_offset_hz", &ReceiverResult::frequency_offset_hz)
      .def_readonly("iq_skew_ps", &ReceiverResult::iq_skew_ps)
      .def_property_readonly("dispersion_ps_per_nm", &dispersion_of)
      .def_readonly("clock_offset_ppm", &ReceiverResult::clock_offset_ppm)
      .def_readonly("coherence", &ReceiverResult::coherence)
      .def_readonly("used_known_data", &ReceiverResult::used_known_data)
      .def_readonly("warnings", &ReceiverResult::warnings)
      .def_readonly("counters", &ReceiverResult::counters);
}

void bind_interim(py::module_& module) {
  const auto signal = [](const Interim& i) { return to_array(i.signal); };
  py::class_<Interim>(module, "Interim")
      .def_property_readonly("symbols", signal)
      .def_property_readonly("signal", signal)
      .def_property_readonly("sample_rate_hz", [](const Interim& i) { return i.signal.sample_rate; })
      .def_readonly("first", &Interim::first)
      .def_readonly("last", &Interim::last)
      .def_property_readonly("frequency_offset_hz",
                             [](const Interim& i) { return i.result.frequency_offset_hz; })
      .def_property_readonly("dispersion_ps_per_nm", [](const Interim& i) { return dispersion_of(i.result); })
      .def_property_readonly("clock_offset_ppm", [](const Interim& i) { return i.result.clock_offset_ppm; })
      .def_property_readonly("taps", [](const Interim& i) { return taps_of(i.result); })
      .def_property_readonly("warnings", [](const Interim& i) { return i.result.warnings; })
      .def_property_readonly("counters", [](const Interim& i) { return i.result.counters; });
}

}  // namespace

void bind_receiver(py::module_& module) {
  bind_result(module);
  bind_interim(module);
  py::class_<BlockContext>(module, "BlockContext")
      .def_readonly("symbol_rate_hz", &BlockContext::symbol_rate)
      .def_readonly("samples_per_symbol", &BlockContext::samples_per_symbol)
      .def_readonly("sample_rate_hz", &BlockContext::sample_rate)
      .def_readonly("first", &BlockContext::first)
      .def_readonly("last", &BlockContext::last);
  py::class_<Reception>(module, "Receiver")
      .def(py::init<const Scenario&>())
      .def("blocks", &Reception::blocks)
      .def("replace", &Reception::replace)
      .def("run", &Reception::run)
      .def("until", &Reception::until)
      .def("judge", &Reception::judge);
  module.def("map_bits", &map_rows);
  module.def("forget_noise", &forget_noise);
}

}  // namespace cohlink::python
