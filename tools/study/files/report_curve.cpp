#include "tools/study/files/report_sections.h"

#include <algorithm>
#include <cmath>
#include <filesystem>
#include <map>
#include <numeric>
#include <set>

#include "sim/signal/scenario/scenario.h"
#include "sim/signal/scenario/strings.h"
#include "tools/study/files/report_html.h"
#include "tools/study/files/svg.h"
#include "tools/study/plan/numbers.h"
#include "tools/study/plan/outputs.h"
#include "tools/study/plan/vary.h"

namespace cohlink::report {
namespace {

struct Curve {
  std::vector<std::string> axes;
  h5::Shape shape;
  Table table;  // one row a point
};

Look look_of(const std::string& column) {
  if (column == "ngmi") return Look::kFigures;
  if (column.starts_with("ber") || column.ends_with("_ber")) return Look::kScientific;
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
    const bool together = moves_together(key);
    const ScenarioKey* declared = find_key(key);
    if (declared == nullptr && !together)
      throw InputError(file.path(), "varies " + key + ", which is no scenario key");
    if (!together && (declared->type == KeyType::kNumber || declared->type == KeyType::kInteger))
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

/// What a curve may show: columns of the value, its interval and its closed form.
struct Shown {
  std::string value, low, high, theory;
  std::vector<Spacing> spacings = {Spacing::kLinear};
  Quantity quantity() const { return quantity_of(value); }
};
const std::vector<Spacing> kOfErrors = {Spacing::kLog, Spacing::kQ, Spacing::kLinear};
const Shown kShown[] = {
    {"ber", "ber_low", "ber_high", "ber_theory", kOfErrors},
    {"penalty_db", "penalty_low", "penalty_high", ""},
    {"required_osnr_db", "required_osnr_low", "required_osnr_high", "required_osnr_theory"},
    {"snr_db", "", "", ""},
};

/// Columns of the output that a sweep measured, if it is none of those with columns of their own.
std::vector<std::string> measured_names(const h5::File& file) {
  if (!file.has_attribute("/", "measure")) return {};
  const std::string output = file.attribute_text("/", "measure");
  for (const Shown& q : kShown)
    if (output == q.value && !q.low.empty()) return {};
  return {output, bound_name(output, "low"), bound_name(output, "high"), bound_name(output, "theory")};
}

constexpr const char* kVerdicts[] = {"fail", "pass", "undecided", "no lock"};

/// What a curve may hold beside its axes, in the order in which it is shown: what was measured and judged,
/// then what was counted.
constexpr const char* kMeasured[] = {"ber",
                                     "ber_low",
                                     "ber_high",
                                     "ber_theory",
                                     "required_osnr_db",
                                     "required_osnr_low",
                                     "required_osnr_high",
                                     "required_osnr_theory",
                                     "penalty_db",
                                     "penalty_low",
                                     "penalty_high",
                                     "reference_osnr_db",
                                     "verdict",
                                     "q_db",
                                     "snr_db",
                                     "evm_percent",
                                     "ngmi",
                                     "margin_db",
                                     "net_rate_gbps",
                                     "snr_median_db",
                                     "snr_tenth_db",
                                     "outage",
                                     "outage_low",
                                     "outage_high",
                                     "errors",
                                     "bits",
                                     "frames",
                                     "frames_without_lock"};

bool counts(const std::string& name) {
  return name == "errors" || name == "bits" || name == "frames" || name == "frames_without_lock";
}

void fill(Column& column, const h5::File& file, const std::string& path) {
  if (column.name == "verdict")
    for (const std::int64_t code : file.read<std::int64_t>(path)) {
      column.cells.emplace_back();
      if (code >= 0 && code <= 3) column.cells.back().emplace<std::string>(kVerdicts[code]);
    }
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
std::vector<Shown> shown_of(const h5::File& file) {
  std::vector<Shown> shown(std::begin(kShown), std::end(kShown));
  if (const auto names = measured_names(file); !names.empty())
    shown.insert(shown.begin(),
                 {names[0], names[1], names[2], names[3],
                  quantity_of(names[0]).look == Look::kScientific ? kOfErrors
                                                                  : std::vector<Spacing>{Spacing::kLinear}});
  return shown;
}

bool has_values(const Curve& curve, const Shown& q) {
  const Column* column = curve.table.find(q.value);
  return column != nullptr && !std::all_of(column->cells.begin(), column->cells.end(),
                                           [](const Cell& cell) { return std::isnan(number_of(cell)); });
}

std::string verdict_at(const Curve& curve, std::size_t row) {
  const Column* verdicts = curve.table.find("verdict");
  const auto* word = verdicts == nullptr ? nullptr : std::get_if<std::string>(&verdicts->cells[row]);
  return word == nullptr ? "" : *word;
}

/// What was simulated, setting by setting, then each closed form that differs from the others.
std::vector<PlotSeries> series_of(const Curve& curve, const Shown& q, std::size_t along) {
  std::vector<PlotSeries> simulated, closed_forms;
  std::set<std::vector<double>> theories;
  for (const auto& [name, rows] : rows_by_series(curve, along)) {
    PlotSeries series{name.empty() ? "simulated" : name, {}},
        theory{"theory" + (name.empty() ? "" : ", " + name), {}, true, false, simulated.size()};
    std::vector<double> form;
    for (const std::size_t row : rows) {
      const double x = number_of(curve.table.columns[along].cells[row]);
      form.push_back(at(curve.table, q.theory, row));
      series.points.push_back({x, at(curve.table, q.value, row), at(curve.table, q.low, row),
                               at(curve.table, q.high, row), form.back(), verdict_at(curve, row)});
      theory.points.push_back({x, form.back()});
    }
    simulated.push_back(std::move(series));
    const bool any = std::any_of(form.begin(), form.end(), [](double y) { return std::isfinite(y); });
    if (any && theories.insert(form).second) closed_forms.push_back(std::move(theory));
  }
  if (closed_forms.size() == 1) {
    closed_forms.front().name = "theory, ideal reception";
    closed_forms.front().look = kOwnLook;
  }
  simulated.insert(simulated.end(), closed_forms.begin(), closed_forms.end());
  return simulated;
}

/// The first quantity the curve has; its value is empty where there is none.
Shown first_shown(const h5::File& file, const Curve& curve) {
  for (const Shown& q : shown_of(file))
    if (has_values(curve, q)) return q;
  return {};
}

void add_threshold(Plot& plot, const Shown& q, const h5::File& file) {
  const std::string threshold = "threshold_" + q.value;  // of what the verdict is passed on
  if ((q.value != "ber" && q.value != "ngmi") || !file.has_attribute("/", threshold)) return;
  const std::pair<double, std::string> level = {file.attribute_number("/", threshold), "code threshold"};
  if (std::find(plot.levels.begin(), plot.levels.end(), level) == plot.levels.end())
    plot.levels.push_back(level);
}

Plot plot_of(const Shown& q, const std::string& along) {
  const Quantity x = quantity_of(along), y = q.quantity();
  return {y.words + " over " + x.words + "; bars: 95 % intervals", x, y, q.spacings};
}

/// Over its longest axis of numbers.
std::string curve_plot(const h5::File& file, const Curve& curve) {
  const std::size_t along = longest_axis(curve);
  const Shown q = first_shown(file, curve);
  if (along == curve.axes.size() || q.value.empty()) return "";
  Plot plot = plot_of(q, curve.axes[along]);
  plot.series = series_of(curve, q, along);
  add_threshold(plot, q, file);
  return svg_figure(plot);
}

constexpr std::size_t kMostColumns = 16, kMostRows = 40, kMostMaps = 8;  // of a heat map that can be read

/// Words of the value at a place of an axis, in the order of the axis.
std::vector<std::string> axis_words(const Curve& curve, std::size_t axis) {
  std::size_t repeat = 1;
  for (std::size_t later = axis + 1; later < curve.axes.size(); ++later) repeat *= curve.shape[later];
  std::vector<std::string> words;
  for (std::size_t i = 0; i < curve.shape[axis]; ++i)
    words.push_back(cell_text(curve.table.columns[axis].cells[i * repeat], Look::kShort));
  return words;
}

/// One map of the two fastest axes, of the points from `first` on.
HeatMap map_of(const Curve& curve, const Shown& q, std::size_t first) {
  const std::size_t rows = curve.axes.size() - 2, columns = rows + 1;
  HeatMap map;
  map.value = q.quantity();
  map.x_label = quantity_of(curve.axes[columns]).label(), map.y_label = quantity_of(curve.axes[rows]).label();
  map.title = map.value.words + " over " + quantity_of(curve.axes[rows]).words + " and " +
              quantity_of(curve.axes[columns]).words;
  if (rows > 0)
    map.title += ", " + quantity_of(curve.axes[0]).words + " = " +
                 cell_text(curve.table.columns[0].cells[first], Look::kShort);
  map.spacing = q.spacings.front();
  map.x = axis_words(curve, columns), map.y = axis_words(curve, rows);
  const Column* judged = curve.table.find("verdict");
  for (std::size_t j = 0; j < map.y.size(); ++j) {
    map.rows.emplace_back();
    std::vector<std::string> words;
    for (std::size_t i = 0; i < map.x.size(); ++i) {
      const std::size_t row = first + j * map.x.size() + i;
      map.rows.back().push_back(at(curve.table, q.value, row));
      words.push_back(verdict_at(curve, row));
    }
    if (judged != nullptr &&
        std::none_of(words.begin(), words.end(), [](const auto& w) { return w.empty(); }))
      map.verdicts.push_back(std::move(words));
  }
  if (map.verdicts.size() != map.y.size()) map.verdicts.clear();
  if (std::holds_alternative<double>(curve.table.columns[rows].cells.front())) {  // numbers rise upwards
    std::reverse(map.y.begin(), map.y.end());
    std::reverse(map.rows.begin(), map.rows.end());
    std::reverse(map.verdicts.begin(), map.verdicts.end());
  }
  if (!map.verdicts.empty()) map.title += "; the thick line parts what passes from what does not";
  return map;
}

/// Of studies over two keys or three, one map for each value of the slowest of three.
std::string heat_maps(const h5::File& file, const Curve& curve) {
  const std::size_t axes = curve.axes.size();
  const Shown q = first_shown(file, curve);
  if (axes < 2 || axes > 3 || q.value.empty()) return "";
  const std::size_t columns = curve.shape[axes - 1], rows = curve.shape[axes - 2],
                    maps = axes == 3 ? curve.shape[0] : 1;
  if (columns < 2 || rows < 2 || columns > kMostColumns || rows > kMostRows || maps > kMostMaps) return "";
  std::string out;
  for (std::size_t i = 0; i < maps; ++i) out += svg_heat_map(map_of(curve, q, i * rows * columns));
  return out;
}

}  // namespace

namespace {

/// Files of one link have one closed form.
bool drawn_already(const Plot& plot, const PlotSeries& theory) {
  return std::any_of(plot.series.begin(), plot.series.end(), [&](const PlotSeries& other) {
    return other.dashed &&
           std::equal(other.points.begin(), other.points.end(), theory.points.begin(), theory.points.end(),
                      [](const PlotPoint& a, const PlotPoint& b) { return a.x == b.x && a.y == b.y; });
  });
}

}  // namespace

std::string curves_together(const std::vector<h5::File>& files) {
  std::map<std::string, Plot> plots;
  std::map<std::string, int> counts;
  for (const h5::File& file : files) {
    if (!file.has_attribute("/", "kind") || file.attribute_text("/", "kind") != "cohlink curve") continue;
    const Curve curve = read_curve(file);
    const std::size_t along = longest_axis(curve);
    const Shown q = first_shown(file, curve);
    if (along == curve.axes.size() || q.value.empty()) continue;
    const std::string key = q.value + " over " + curve.axes[along];
    Plot& plot = plots.try_emplace(key, plot_of(q, curve.axes[along])).first->second;
    ++counts[key];
    add_threshold(plot, q, file);
    const std::string name = std::filesystem::path(file.path()).filename().string();
    const auto before = static_cast<std::size_t>(std::count_if(
        plot.series.begin(), plot.series.end(), [](const PlotSeries& series) { return !series.dashed; }));
    for (PlotSeries& series : series_of(curve, q, along)) {
      if (series.dashed && drawn_already(plot, series)) continue;
      if (series.dashed) series.look = before + (series.look == kOwnLook ? 0 : series.look);
      series.name = name + (series.name == "simulated" ? "" : ": " + series.name);
      plot.series.push_back(std::move(series));
    }
  }
  std::string out;
  for (auto& [key, plot] : plots) {
    if (counts[key] < 2) continue;
    plot.title = std::to_string(counts[key]) + " files together: " + plot.title;
    out += svg_figure(plot);
  }
  return out;
}

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
         count_verdicts(curve.table) + curve_plot(file, curve) + heat_maps(file, curve) +
         html_table(curve.table, "points of the curve", curve.axes.size());
}

}  // namespace cohlink::report
