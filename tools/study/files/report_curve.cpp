#include "tools/study/files/report_sections.h"

#include <algorithm>
#include <cmath>
#include <map>
#include <numeric>
#include <set>

#include "sim/signal/scenario/scenario.h"
#include "sim/signal/scenario/strings.h"
#include "tools/study/files/report_html.h"
#include "tools/study/files/svg.h"
#include "tools/study/plan/numbers.h"
#include "tools/study/plan/outputs.h"

namespace cohlink::report {
namespace {

struct Curve {
  std::vector<std::string> axes;
  h5::Shape shape;
  Table table;  // one row a point
};

Look look_of(const std::string& column) {
  if (column.starts_with("ber")) return Look::kScientific;
  return column.find("db") != std::string::npos || column.find("osnr") != std::string::npos ||
                 column.find("percent") != std::string::npos || column.find("penalty") != std::string::npos
             ? Look::kHundredths
             : Look::kShort;
}

/// The axes' values. Every curve counts bits at each of its points: their grid is that of the axes.
std::vector<std::vector<Cell>> read_axes(const h5::File& file, Curve& curve) {
  std::vector<std::vector<Cell>> values;
  for (const auto& key : curve.axes) {
    values.emplace_back();
    const ScenarioKey* declared = find_key(key);
    if (declared == nullptr) throw InputError(file.path(), "varies " + key + ", which is no scenario key");
    if (declared->type == KeyType::kNumber || declared->type == KeyType::kInteger)
      for (const double x : file.read<double>("/" + key)) values.back().emplace_back(x);
    else
      for (auto& text : file.read_texts("/" + key)) values.back().emplace_back(std::move(text));
    if (values.back().empty()) throw InputError(file.path(), "data set /" + key + " holds no value");
    curve.shape.push_back(values.back().size());
  }
  if (curve.axes.empty()) throw InputError(file.path(), "attribute /@axes names no axis");
  file.check_size("/bits");
  if (file.shape("/bits") != curve.shape) throw InputError(file.path(), "/bits does not fit its axes");
  return values;
}

void add_axis_columns(const h5::File& file, Curve& curve) {
  const auto values = read_axes(file, curve);
  const std::size_t points =
      std::accumulate(curve.shape.begin(), curve.shape.end(), std::size_t{1}, std::multiplies<>());
  std::size_t repeat = points;
  for (std::size_t axis = 0; axis < curve.axes.size(); ++axis) {
    repeat /= curve.shape[axis];
    Column& column = curve.table.add(curve.axes[axis]);
    for (std::size_t i = 0; i < points; ++i)
      column.cells.push_back(values[axis][i / repeat % curve.shape[axis]]);
  }
}

struct Quantity {
  std::string value, low, high, theory, label;
  bool log;
};
const Quantity kQuantities[] = {
    {"ber", "ber_low", "ber_high", "ber_theory", "BER", true},
    {"penalty_db", "penalty_low", "penalty_high", "", "penalty in required OSNR [dB]", false},
    {"required_osnr_db", "required_osnr_low", "required_osnr_high", "required_osnr_theory",
     "required OSNR [dB]", false},
    {"snr_db", "", "", "", "SNR [dB]", false},
};

/// Columns of the output that a sweep measured, if it is none of those with columns of their own.
std::vector<std::string> measured_names(const h5::File& file) {
  if (!file.has_attribute("/", "measure")) return {};
  const std::string output = file.attribute_text("/", "measure");
  for (const Quantity& q : kQuantities)
    if (output == q.value && !q.low.empty()) return {};
  return {output, bound_name(output, "low"), bound_name(output, "high")};
}

std::string verdict_word(std::int64_t code) {
  constexpr const char* kWords[] = {"fail", "pass", "undecided", "no lock"};
  return code >= 0 && code <= 3 ? kWords[code] : "–";
}

/// What a curve may hold beside its axes, in the order in which it is shown.
constexpr const char* kMeasured[] = {"ber",
                                     "ber_low",
                                     "ber_high",
                                     "required_osnr_db",
                                     "required_osnr_low",
                                     "required_osnr_high",
                                     "required_osnr_theory",
                                     "penalty_db",
                                     "penalty_low",
                                     "penalty_high",
                                     "reference_osnr_db",
                                     "errors",
                                     "bits",
                                     "frames",
                                     "frames_without_lock",
                                     "q_db",
                                     "snr_db",
                                     "evm_percent",
                                     "ber_theory",
                                     "verdict"};

bool counts(const std::string& name) {
  return name == "errors" || name == "bits" || name == "frames" || name == "frames_without_lock";
}

void fill(Column& column, const h5::File& file, const std::string& path) {
  if (column.name == "verdict")
    for (const std::int64_t code : file.read<std::int64_t>(path))
      column.cells.emplace_back(verdict_word(code));
  else if (counts(column.name))
    for (const std::uint64_t count : file.read<std::uint64_t>(path)) column.cells.emplace_back(count);
  else
    for (const double value : file.read<double>(path)) column.cells.emplace_back(value);
}

Curve read_curve(const h5::File& file) {
  if (!file.has_attribute("/", "axes"))
    throw InputError(file.path(), "does not name its axes; sweep again to make it anew");
  Curve curve;
  curve.axes = split(file.attribute_text("/", "axes"), ',');
  add_axis_columns(file, curve);
  std::vector<std::string> names = measured_names(file);
  for (const char* name : kMeasured)
    if (std::find(names.begin(), names.end(), name) == names.end()) names.emplace_back(name);
  for (const std::string& name : names) {
    const std::string path = "/" + name;
    if (!file.has(path)) continue;
    if (file.shape(path) != curve.shape) throw InputError(file.path(), path + " does not fit its axes");
    fill(curve.table.add(name, look_of(name)), file, path);
  }
  return curve;
}

/// Points of the curve sorted into one series for each setting of the axes but `along`.
std::map<std::string, std::vector<std::size_t>> rows_by_series(const Curve& curve, std::size_t along) {
  std::map<std::string, std::vector<std::size_t>> rows;
  for (std::size_t row = 0; row < curve.table.rows(); ++row) {
    std::string name;
    for (std::size_t axis = 0; axis < curve.axes.size(); ++axis)
      if (axis != along)
        name += (name.empty() ? "" : ", ") + curve.axes[axis] + " = " +
                cell_text(curve.table.columns[axis].cells[row], Look::kShort);
    rows[name].push_back(row);
  }
  return rows;
}

/// The longest axis of numbers; the count of axes where none has two.
std::size_t longest_axis(const Curve& curve) {
  std::size_t along = curve.axes.size();
  for (std::size_t axis = 0; axis < curve.axes.size(); ++axis) {
    const bool numbers = std::holds_alternative<double>(curve.table.columns[axis].cells.front());
    if (numbers && curve.shape[axis] > 1 &&
        (along == curve.axes.size() || curve.shape[axis] > curve.shape[along]))
      along = axis;
  }
  return along;
}

/// What was measured by the sweep's own measure first.
std::vector<Quantity> quantities_of(const h5::File& file) {
  std::vector<Quantity> quantities(std::begin(kQuantities), std::end(kQuantities));
  if (const auto names = measured_names(file); !names.empty())
    quantities.insert(quantities.begin(), {names[0], names[1], names[2], "", names[0], false});
  return quantities;
}

bool has_values(const Curve& curve, const Quantity& q) {
  const Column* column = curve.table.find(q.value);
  return column != nullptr && !std::all_of(column->cells.begin(), column->cells.end(),
                                           [](const Cell& cell) { return std::isnan(number_of(cell)); });
}

/// What was simulated, setting by setting, then each closed form that differs from the others.
std::vector<PlotSeries> series_of(const Curve& curve, const Quantity& q, std::size_t along) {
  std::vector<PlotSeries> simulated, closed_forms;
  std::set<std::vector<double>> theories;
  for (const auto& [name, rows] : rows_by_series(curve, along)) {
    PlotSeries series{name.empty() ? "simulated" : name, {}},
        theory{"theory" + (name.empty() ? "" : ", " + name), {}, true};
    std::vector<double> form;
    for (const std::size_t row : rows) {
      const double x = number_of(curve.table.columns[along].cells[row]);
      double y = at(curve.table, q.value, row);
      if (q.log && y == 0.0) y = kNone;
      series.points.push_back({x, y, at(curve.table, q.low, row), at(curve.table, q.high, row)});
      form.push_back(at(curve.table, q.theory, row));
      theory.points.push_back({x, form.back(), kNone, kNone});
    }
    simulated.push_back(std::move(series));
    const bool any = std::any_of(form.begin(), form.end(), [](double y) { return std::isfinite(y); });
    if (any && theories.insert(form).second) closed_forms.push_back(std::move(theory));
  }
  if (closed_forms.size() == 1) closed_forms.front().name = "theory, ideal reception";
  simulated.insert(simulated.end(), closed_forms.begin(), closed_forms.end());
  return simulated;
}

/// The first quantity the curve has, over its longest axis of numbers.
std::string curve_plot(const h5::File& file, const Curve& curve) {
  const std::size_t along = longest_axis(curve);
  if (along == curve.axes.size()) return "";
  for (const Quantity& q : quantities_of(file)) {
    if (!has_values(curve, q)) continue;
    Plot plot{q.label + " over " + curve.axes[along] + ", bars: 95 % intervals",
              with_unit(curve.axes[along]),
              q.label,
              q.log,
              series_of(curve, q, along),
              {}};
    if (q.log && file.has_attribute("/", "threshold_ber"))
      plot.levels.emplace_back(file.attribute_number("/", "threshold_ber"), "code threshold");
    return svg_figure(plot);
  }
  return "";
}

}  // namespace

std::string curve_section(const h5::File& file) {
  const Curve curve = read_curve(file);
  const auto said = [&](const char* name) {
    return file.has_attribute("/", name) ? file.attribute_text("/", name) : "";
  };
  const std::string reference = said("reference");
  return (reference.empty() ? "" : tag("p", "Penalties are against " + reference + ".")) +
         (said("common_noise") == "yes"
              ? tag("p",
                    "All points saw the same random streams: differences are sharper than the intervals.")
              : "") +
         count_verdicts(curve.table) + curve_plot(file, curve) + html_table(curve.table);
}

}  // namespace cohlink::report
