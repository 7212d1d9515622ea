// The extension module cohlink._core. What users see of it is the package around it (tools/python/cohlink).
#include "rx/chain/table.h"
#include "sim/signal/scenario/errors.h"
#include "sim/signal/version.h"
#include "tools/python/module/support.h"

namespace cohlink::python {
namespace {

py::object known(const std::string& text) { return text.empty() ? py::none() : py::object(py::str(text)); }

/// Raises cohlink.NAME; the class is looked up when it is needed, in the package that imports us.
void raise(const char* name, const Error& error) {
  const auto type = py::module_::import("cohlink.errors").attr(name);
  const py::object line = error.line() == 0 ? py::none() : py::object(py::int_(error.line()));
  const auto value = type(error.what(), known(error.file()), line, known(error.key()), known(error.reason()));
  PyErr_SetObject(type.ptr(), value.ptr());
}

void translate(std::exception_ptr failure) {
  try {
    if (failure) std::rethrow_exception(failure);
  } catch (const InputError& error) {
    raise("ScenarioError", error);
  } catch (const RunError& error) {
    raise("RunError", error);
  }
}

}  // namespace
}  // namespace cohlink::python

PYBIND11_MODULE(_core, module) {
  using namespace cohlink::python;
  module.doc() = "cohlink's libraries as an extension module; use the package cohlink instead.";
  module.attr("version") = cohlink::version().number;
  module.attr("git_hash") = cohlink::version().git_hash;
  pybind11::register_exception_translator(&translate);
  bind_scenario(module);
  bind_capture(module);
  bind_receiver(module);
  bind_studies(module);
}
