// Scenarios and the table of their keys.
#include <pybind11/stl.h>

#include "tools/python/module/support.h"

namespace cohlink::python {
namespace {

/// A key's value in its type; None where it is absent.
py::object value_of(const Scenario& scenario, const std::string& name) {
  const ScenarioKey* key = find_key(name);
  if (key == nullptr) throw py::key_error(name);
  if (!scenario.is_set(name)) return py::none();
  switch (key->type) {
    case KeyType::kNumber:
      return py::float_(scenario.number(name));
    case KeyType::kInteger:
      return py::int_(scenario.integer(name));
    case KeyType::kBoolean:
      return py::bool_(scenario.boolean(name));
    case KeyType::kList:
      return py::cast(scenario.list(name));
    case KeyType::kNumbers:
      return py::cast(scenario.numbers(name));
    default:
      return py::str(scenario.text(name));
  }
}

const char* type_name(KeyType type) {
  constexpr const char* kNames[] = {"number", "integer", "boolean", "choice", "text", "list", "numbers"};
  return kNames[static_cast<int>(type)];
}

py::dict describe(const ScenarioKey& key) {
  py::dict out;
  out["name"] = key.full_name();
  out["type"] = type_name(key.type);
  out["unit"] = std::string(key.unit);
  out["default"] = std::string(key.default_value);
  out["legal"] = legal_values(key);
  out["help"] = std::string(key.help);
  out["source"] = std::string(key.source);
  return out;
}

py::list key_table() {
  py::list all;
  for (const ScenarioKey& key : scenario_keys()) all.append(describe(key));
  return all;
}

}  // namespace

void bind_scenario(py::module_& module) {
  py::class_<Scenario>(module, "Scenario")
      .def(py::init<>())
      .def("_assign", [](Scenario& self, const Scenario& other) { self = other; })
      .def("_read_file", &Scenario::read_file)
      .def("_read_text", &Scenario::read_text)
      .def("_set", [](Scenario& self, const std::string& key,
                      const std::string& value) { self.set(key, value, Origin()); })
      .def("_is_given",
           [](const Scenario& self, const std::string& key) {
             if (find_key(key) == nullptr) throw py::key_error(key);
             return self.is_given(key);
           })
      .def("_value", &value_of)
      .def("_resolved", &Scenario::resolved);
  module.def("key_table", &key_table);
  module.def("nearest_key", [](const std::string& name) { return nearest_key(name); });
}

}  // namespace cohlink::python
