#include "tools/python/module/support.h"

#include <condition_variable>
#include <limits>
#include <mutex>
#include <thread>

#include "tools/study/run/planning.h"

namespace cohlink::python {

const FftCache& plans(const Scenario& scenario) {
  // Never destroyed: the interpreter may still be at work when this library's statics go.
  static const FftCache& measured = *new FftCache(FftPlanning::kMeasure);
  static const FftCache& estimated = *new FftCache(FftPlanning::kEstimate);
  return planning_of(scenario) == FftPlanning::kMeasure ? measured : estimated;
}

Execution Watch::execution() const {
  return execution_.heard_by([this](double more) { share_ += more; });
}

void Watch::tell(double share) const {
  execution_.check();
  share_ = share;
}

namespace {

void look_for_interrupt(const Watch& watch, const py::object& progress, double& told) {
  if (PyErr_CheckSignals() != 0) throw py::error_already_set();
  const double share = std::min(1.0, watch.share());
  if (progress.is_none() || share == told) return;
  told = share;
  progress(share);
}

}  // namespace

void run_watched(const FftCache& fft, const py::object& progress,
                 const std::function<void(const Watch&)>& work) {
  const Watch watch(fft);
  std::mutex mutex;
  std::condition_variable ended;
  bool done = false;
  std::exception_ptr failure, interrupt;
  std::thread worker([&] {
    try {
      work(watch);
    } catch (...) {
      failure = std::current_exception();
    }
    const std::lock_guard lock(mutex);
    done = true;
    ended.notify_all();
  });
  const auto finished_in = [&](std::chrono::milliseconds time) {
    const py::gil_scoped_release release;
    std::unique_lock lock(mutex);
    return ended.wait_for(lock, time, [&] { return done; });
  };
  double told = -1.0;
  while (!finished_in(std::chrono::milliseconds(50))) {
    if (interrupt) continue;
    try {
      look_for_interrupt(watch, progress, told);
    } catch (...) {
      interrupt = std::current_exception();
      watch.stop();
    }
  }
  {
    const py::gil_scoped_release release;
    worker.join();
  }
  if (interrupt) std::rethrow_exception(interrupt);
  if (failure) std::rethrow_exception(failure);
  if (!progress.is_none()) progress(1.0);
}

py::array_t<std::complex<float>> to_array(const Field<float>& signal) {
  const auto n = static_cast<py::ssize_t>(signal.size());
  py::array_t<std::complex<float>> out({py::ssize_t{2}, n});
  std::copy(signal.x.begin(), signal.x.end(), out.mutable_data());
  std::copy(signal.y.begin(), signal.y.end(), out.mutable_data() + n);
  return out;
}

Field<float> to_field(const py::object& array, double sample_rate, const std::string& who) {
  using Complex = py::array_t<std::complex<float>, py::array::c_style | py::array::forcecast>;
  const auto given = py::array::ensure(array);
  if (!given || given.dtype().kind() == 'O' || given.dtype().kind() == 'U' || given.dtype().kind() == 'S')
    throw py::type_error(who + ": expected an array of complex numbers");
  const Complex rows = Complex::ensure(given);
  const bool alone = rows.ndim() == 1 || (rows.ndim() == 2 && rows.shape(0) == 1);
  if (!alone && !(rows.ndim() == 2 && rows.shape(0) == 2)) {
    const auto shape = py::str(given.attr("shape")).cast<std::string>();
    throw py::type_error(who + ": expected the shape (2, n), rows X and Y, not " + shape);
  }
  const auto n = static_cast<std::size_t>(alone ? rows.size() : rows.shape(1));
  Field<float> field;
  field.sample_rate = sample_rate;
  field.x.assign(rows.data(), rows.data() + n);
  if (!alone) field.y.assign(rows.data() + n, rows.data() + 2 * n);
  return field;
}

py::object to_object(const Cell& cell) {
  if (const auto* number = std::get_if<double>(&cell)) return py::float_(*number);
  if (const auto* count = std::get_if<std::uint64_t>(&cell)) return py::int_(*count);
  if (const auto* flag = std::get_if<bool>(&cell)) return py::bool_(*flag);
  if (const auto* text = std::get_if<std::string>(&cell)) return py::str(*text);
  return py::none();
}

namespace {

template <class T>
bool all_are(const Column& column) {
  return std::all_of(column.cells.begin(), column.cells.end(),
                     [](const Cell& cell) { return std::holds_alternative<T>(cell); });
}

template <class T>
py::object plain_array(const Column& column) {
  py::array_t<T> out(static_cast<py::ssize_t>(column.cells.size()));
  std::transform(column.cells.begin(), column.cells.end(), out.mutable_data(),
                 [](const Cell& cell) { return std::get<T>(cell); });
  return out;
}

bool wordy(const Column& column) {
  return std::any_of(column.cells.begin(), column.cells.end(),
                     [](const Cell& cell) { return std::holds_alternative<std::string>(cell); });
}

py::object to_array(const Column& column) {
  if (!column.cells.empty() && all_are<std::uint64_t>(column)) return plain_array<std::uint64_t>(column);
  if (!column.cells.empty() && all_are<bool>(column)) return plain_array<bool>(column);
  if (wordy(column)) {
    py::list texts;
    for (const Cell& cell : column.cells)
      texts.append(std::holds_alternative<std::monostate>(cell) ? py::str("") : py::str(to_object(cell)));
    return py::module_::import("numpy").attr("array")(texts);
  }
  py::array_t<double> out(static_cast<py::ssize_t>(column.cells.size()));
  std::transform(column.cells.begin(), column.cells.end(), out.mutable_data(), [](const Cell& cell) {
    if (const auto* count = std::get_if<std::uint64_t>(&cell)) return static_cast<double>(*count);
    const auto* number = std::get_if<double>(&cell);
    return number != nullptr ? *number : std::numeric_limits<double>::quiet_NaN();
  });
  return out;
}

}  // namespace

py::dict to_dict(const Table& table) {
  py::dict columns;
  for (const Column& column : table.columns) columns[py::str(column.name)] = to_array(column);
  return columns;
}

py::dict to_dict(const std::vector<Fact>& facts) {
  py::dict values;
  for (const Fact& fact : facts)
    if (!fact.name.empty()) values[py::str(fact.name)] = to_object(fact.value);
  return values;
}

}  // namespace cohlink::python
