// What the files of the Python module share.
#pragma once

#include <pybind11/numpy.h>
#include <pybind11/pybind11.h>

#include <atomic>
#include <complex>
#include <functional>
#include <span>
#include <string>
#include <vector>

#include "sim/signal/execution/execution.h"
#include "sim/signal/field.h"
#include "sim/signal/scenario/scenario.h"
#include "tools/study/files/table.h"

namespace cohlink::python {

namespace py = pybind11;

void bind_scenario(py::module_& module);
void bind_capture(py::module_& module);
void bind_receiver(py::module_& module);
void bind_studies(py::module_& module);

/// FFT plans as the program makes them for this scenario; kept for the life of the process.
const FftCache& plans(const Scenario& scenario);

/// Work that Python waits for, as the work sees it. Thread-safe.
class Watch {
 public:
  explicit Watch(const FftCache& fft) : execution_(fft) {}

  /// For what takes an Execution: stops with the watch, tells it its progress.
  Execution execution() const;
  /// `share` of the work is done. Throws Stopped when it was told to stop.
  void tell(double share) const;
  void stop() const { execution_.stop(); }
  double share() const { return share_; }

 private:
  Execution execution_;
  mutable std::atomic<double> share_ = 0.0;
};

/// Runs `work` on a thread of its own, with the interpreter's lock released, and waits for it. The waiting
/// thread calls `progress` (None, or a callable of the share done) and looks for Ctrl-C twenty times a
/// second: Python's own code runs on no foreign thread. What either throws stops the work and is passed on.
void run_watched(const FftCache& fft, const py::object& progress,
                 const std::function<void(const Watch&)>& work);

/// A (2, n) complex64 array, and back. TypeError, beginning with `who`, for anything else than numbers of
/// that shape; an array of one row or dimension is X alone and leaves Y empty.
py::array_t<std::complex<float>> to_array(const Field<float>& signal);
Field<float> to_field(const py::object& array, double sample_rate, const std::string& who);

/// A new array of this shape.
template <class T>
py::array_t<T> array_of(std::span<const T> values, const std::vector<py::ssize_t>& shape) {
  py::array_t<T> out(shape);
  std::copy(values.begin(), values.end(), out.mutable_data());
  return out;
}

/// A cell as Python has it: None, float, int, bool or str.
py::object to_object(const Cell& cell);
/// {column: array}: float64 with NaN for empty cells, uint64, bool, or str.
py::dict to_dict(const Table& table);
/// {name: value}; what is for people only is left out.
py::dict to_dict(const std::vector<Fact>& facts);

}  // namespace cohlink::python
