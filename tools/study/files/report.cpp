#include "tools/study/files/report.h"

#include <algorithm>
#include <cmath>
#include <filesystem>
#include <limits>
#include <map>
#include <numeric>
#include <set>

#include "sim/signal/record/hdf5.h"
#include "sim/signal/scenario/scenario.h"
#include "sim/signal/scenario/strings.h"
#include "sim/signal/version.h"
#include "tools/study/files/study_file.h"
#include "tools/study/files/svg.h"
#include "tools/study/plan/numbers.h"
#include "tools/study/plan/outputs.h"

namespace cohlink {
namespace {

constexpr double kNone = std::numeric_limits<double>::quiet_NaN();

constexpr std::string_view kStyle = R"(
:root{--ink:#1d2530;--soft:#5c6675;--paper:#fbfaf7;--card:#fff;--rule:#d9d5cb;--good:#1d7a4c;--bad:#b3261e;--open:#9a6700;
--c0:#0b5fa5;--c1:#c2410c;--c2:#2f7d32;--c3:#8a3ffc;--c4:#b0126b;--c5:#5a5a5a}
@media(prefers-color-scheme:dark){:root{--ink:#e8e6e1;--soft:#a5abb5;--paper:#15181d;--card:#1c2027;--rule:#363c46;
--good:#6cc993;--bad:#ff8a80;--open:#e6b450;--c0:#6cb2f0;--c1:#ff9d66;--c2:#8fd18f;--c3:#c3a0ff;--c4:#f58fc0;--c5:#bbb}}
*{box-sizing:border-box}body{margin:0;background:var(--paper);color:var(--ink);font:16px/1.5 Georgia,"Times New Roman",serif}
main{max-width:64rem;margin:0 auto;padding:2rem 1.2rem 4rem}h1{font-size:1.9rem;margin:0 0 .2rem}
h2{font-size:1.35rem;margin:0 0 .2rem}section{background:var(--card);border:1px solid var(--rule);border-left:4px solid var(--c0);
padding:1.2rem 1.4rem;margin:1.6rem 0}.sub{color:var(--soft);margin:0 0 1rem}
table{border-collapse:collapse;font:13px/1.45 ui-monospace,Menlo,Consolas,monospace;width:100%}.scroll{overflow-x:auto;margin:1rem 0}
th{text-align:right;border-bottom:2px solid var(--rule);padding:.25rem .6rem;font-weight:600;white-space:nowrap}
td{text-align:right;padding:.2rem .6rem;border-bottom:1px solid var(--rule);white-space:nowrap}
th.w,td.w{text-align:left;white-space:normal}.pass{color:var(--good);font-weight:700}.fail{color:var(--bad);font-weight:700}
.undecided{color:var(--open);font-weight:700}dl{display:grid;grid-template-columns:max-content 1fr;gap:.2rem 1.2rem;margin:1rem 0}
dt{color:var(--soft)}dd{margin:0;overflow-wrap:anywhere}figure{margin:1rem 0}figure.small{display:inline-block;width:20rem;max-width:100%}
figcaption{color:var(--soft);font-size:.9rem}svg{width:100%;height:auto;font:12px ui-monospace,Menlo,Consolas,monospace;fill:var(--ink)}
.grid{stroke:var(--rule);stroke-width:1}.line{fill:none;stroke-width:2}.bar{stroke-width:1.4}.dashed{stroke-dasharray:6 4}
.level{stroke:var(--bad);stroke-width:1.2;stroke-dasharray:2 3}.levelword{fill:var(--bad)}
.s0{stroke:var(--c0)}.s1{stroke:var(--c1)}.s2{stroke:var(--c2)}.s3{stroke:var(--c3)}.s4{stroke:var(--c4)}.s5{stroke:var(--c5)}
.dot.s0,.s0t{fill:var(--c0)}.dot.s1,.s1t{fill:var(--c1)}.dot.s2,.s2t{fill:var(--c2)}.dot.s3,.s3t{fill:var(--c3)}
.dot.s4,.s4t{fill:var(--c4)}.dot.s5,.s5t{fill:var(--c5)}.legend{list-style:none;margin:.2rem 0;padding:0;font-size:.9rem}
.legend li{display:inline-block;margin-right:1.4rem}.key{display:inline-block;width:1.6rem;border-top:3px solid;vertical-align:middle;
margin-right:.4rem}.key.s0{color:var(--c0)}.key.s1{color:var(--c1)}.key.s2{color:var(--c2)}.key.s3{color:var(--c3)}
.key.s4{color:var(--c4)}.key.s5{color:var(--c5)}.key.dashed{border-top-style:dashed}pre{overflow-x:auto;font-size:12px}
.caution{border-left-color:var(--open)}@media print{body{background:#fff}section{break-inside:avoid-page}}
)";

std::string tag(const std::string& name, const std::string& content) {
  return "<" + name + ">" + html_text(content) + "</" + name + ">\n";
}

std::string cell_text(const Cell& cell, Look look) {
  if (const auto* number = std::get_if<double>(&cell)) {
    if (std::isnan(*number)) return "–";
    if (look == Look::kScientific) return scientific(*number);
    return look == Look::kHundredths ? fixed(*number, 2) : readable(*number, look == Look::kFigures ? 4 : 6);
  }
  if (const auto* count = std::get_if<std::uint64_t>(&cell)) return grouped(*count);
  if (const auto* flag = std::get_if<bool>(&cell)) return *flag ? "yes" : "no";
  if (const auto* text = std::get_if<std::string>(&cell)) return *text;
  return "–";
}

std::string html_table(const Table& table) {
  std::string out = "<div class=\"scroll\"><table>\n<thead><tr>";
  std::vector<bool> wordy;
  for (const Column& column : table.columns) {
    wordy.push_back(std::any_of(column.cells.begin(), column.cells.end(),
                                [](const Cell& cell) { return std::holds_alternative<std::string>(cell); }));
    out += std::string("<th") + (wordy.back() ? " class=\"w\"" : "") + ">" + html_text(column.name) + "</th>";
  }
  out += "</tr></thead>\n<tbody>\n";
  for (std::size_t row = 0; row < table.rows(); ++row) {
    out += "<tr>";
    for (std::size_t c = 0; c < table.columns.size(); ++c) {
      const std::string text = cell_text(table.columns[c].cells[row], table.columns[c].look);
      const bool verdict = text == "pass" || text == "fail" || text == "undecided";
      out += std::string("<td") + (wordy[c] ? " class=\"w\"" : "") + ">" +
             (verdict ? "<span class=\"" + text + "\">" + text + "</span>" : html_text(text)) + "</td>";
    }
    out += "</tr>\n";
  }
  return out + "</tbody></table></div>\n";
}

std::string html_facts(const std::vector<Fact>& facts) {
  std::string out;
  for (const Fact& fact : facts)
    if (!fact.label.empty() && !fact.text.empty())
      out += "<dt>" + html_text(fact.label) + "</dt><dd>" + html_text(fact.text) + "</dd>\n";
  return out.empty() ? "" : "<dl>\n" + out + "</dl>\n";
}

double number_of(const Cell& cell) {
  if (const auto* value = std::get_if<double>(&cell)) return *value;
  if (const auto* value = std::get_if<std::uint64_t>(&cell)) return static_cast<double>(*value);
  return kNone;
}

double at(const Table& table, const std::string& column, std::size_t row) {
  const Column* found = table.find(column);
  return found == nullptr ? kNone : number_of(found->cells[row]);
}

std::string with_unit(const std::string& key) {
  const ScenarioKey* found = find_key(key);
  return key + (found != nullptr && !found->unit.empty() ? " [" + std::string(found->unit) + "]" : "");
}

// --- Curves. ---

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

Curve read_curve(const h5::File& file) {
  if (!file.has_attribute("/", "axes"))
    throw InputError(file.path(), "does not name its axes; sweep again to make it anew");
  Curve curve;
  curve.axes = split(file.attribute_text("/", "axes"), ',');
  add_axis_columns(file, curve);
  std::vector<std::string> names = measured_names(file);
  for (const char* name : {"ber",
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
                           "verdict"})
    if (std::find(names.begin(), names.end(), name) == names.end()) names.emplace_back(name);
  for (const std::string& name : names) {
    const std::string path = "/" + name;
    if (!file.has(path)) continue;
    Column& column = curve.table.add(name, look_of(name));
    const bool counts = column.name == "errors" || column.name == "bits" || column.name == "frames" ||
                        column.name == "frames_without_lock";
    if (file.shape(path) != curve.shape) throw InputError(file.path(), path + " does not fit its axes");
    if (name == "verdict")
      for (const std::int64_t code : file.read<std::int64_t>(path))
        column.cells.emplace_back(verdict_word(code));
    else if (counts)
      for (const std::uint64_t count : file.read<std::uint64_t>(path)) column.cells.emplace_back(count);
    else
      for (const double value : file.read<double>(path)) column.cells.emplace_back(value);
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

/// The first quantity the curve has, over its longest axis of numbers.
std::string curve_plot(const h5::File& file, const Curve& curve) {
  std::size_t along = curve.axes.size();
  for (std::size_t axis = 0; axis < curve.axes.size(); ++axis) {
    const bool numbers = std::holds_alternative<double>(curve.table.columns[axis].cells.front());
    if (numbers && curve.shape[axis] > 1 &&
        (along == curve.axes.size() || curve.shape[axis] > curve.shape[along]))
      along = axis;
  }
  if (along == curve.axes.size()) return "";
  std::vector<Quantity> quantities(std::begin(kQuantities), std::end(kQuantities));
  if (const auto names = measured_names(file); !names.empty())
    quantities.insert(quantities.begin(), {names[0], names[1], names[2], "", names[0], false});
  for (const Quantity& q : quantities) {
    const Column* column = curve.table.find(q.value);
    if (column == nullptr || std::all_of(column->cells.begin(), column->cells.end(),
                                         [](const Cell& cell) { return std::isnan(number_of(cell)); }))
      continue;
    Plot plot{q.label + " over " + curve.axes[along] + ", bars: 95 % intervals",
              with_unit(curve.axes[along]),
              q.label,
              q.log,
              {},
              {}};
    std::set<std::vector<double>> theories;
    std::vector<PlotSeries> closed_forms;
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
      plot.series.push_back(std::move(series));
      const bool any = std::any_of(form.begin(), form.end(), [](double y) { return std::isfinite(y); });
      if (any && theories.insert(form).second) closed_forms.push_back(std::move(theory));
    }
    if (closed_forms.size() == 1) closed_forms.front().name = "theory, ideal reception";
    plot.series.insert(plot.series.end(), closed_forms.begin(), closed_forms.end());
    if (q.log && file.has_attribute("/", "threshold_ber"))
      plot.levels.emplace_back(file.attribute_number("/", "threshold_ber"), "code threshold");
    return svg_figure(plot);
  }
  return "";
}

std::string count_verdicts(const Table& table) {
  const Column* column = table.find("verdict");
  if (column == nullptr) return "";
  std::map<std::string, int> counts;
  for (const Cell& cell : column->cells)
    if (const auto* text = std::get_if<std::string>(&cell)) ++counts[*text];
  std::string out;
  for (const char* word : {"pass", "undecided", "fail"})
    if (counts[word] > 0)
      out += std::string("<span class=\"") + word + "\">" + std::to_string(counts[word]) + " " + word +
             "</span> ";
  return out.empty() ? "" : "<p>" + out + "of " + std::to_string(column->cells.size()) + "</p>\n";
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
         count_verdicts(curve.table) + curve_plot(file, curve) + html_table(curve.table);
}

// --- Studies. ---

std::string limit_plot(const Table& probes) {
  if (probes.columns.empty()) return "";
  Plot plot{"margin at the values probed; at 0 dB the criterion is crossed",
            with_unit(probes.columns[0].name),
            "margin [dB]",
            false,
            {{"", {}}},
            {{0.0, "criterion"}}};
  std::vector<std::size_t> order;
  for (std::size_t row = 0; row < probes.rows(); ++row) order.push_back(row);
  std::sort(order.begin(), order.end(), [&](std::size_t a, std::size_t b) {
    return number_of(probes.columns[0].cells[a]) < number_of(probes.columns[0].cells[b]);
  });
  for (const std::size_t row : order)
    plot.series[0].points.push_back({number_of(probes.columns[0].cells[row]), at(probes, "margin_db", row),
                                     at(probes, "margin_low_db", row), at(probes, "margin_high_db", row)});
  return svg_figure(plot);
}

/// Share of realisations at or above each SNR penalty.
std::string outage_plot(const Table& realisations) {
  std::vector<double> penalties;
  for (std::size_t row = 0; row < realisations.rows(); ++row)
    if (const double p = at(realisations, "snr_penalty_db", row); std::isfinite(p)) penalties.push_back(p);
  std::sort(penalties.begin(), penalties.end());
  Plot plot{"share of realisations whose SNR penalty is at least this",
            "SNR penalty [dB]",
            "share",
            true,
            {{"", {}}},
            {}};
  plot.series[0].dots_only = true;
  // Realisations without lock have no penalty and are worse than all that have.
  const auto n = static_cast<double>(realisations.rows());
  for (std::size_t i = 0; i < penalties.size(); ++i)
    plot.series[0].points.push_back({penalties[i], (n - static_cast<double>(i)) / n, kNone, kNone});
  return svg_figure(plot);
}

std::string study_section(const h5::File& file) {
  const StudyFile study = read_study(file);
  std::string out = html_facts(study.facts);
  for (const auto& [name, table] : study.tables) {
    if (name == "probes") out += limit_plot(table);
    if (name == "realisations") {
      out += outage_plot(table) + "<details><summary>all realisations</summary>\n" + html_table(table) +
             "</details>\n";
      continue;
    }
    if (name == "quantiles")
      out +=
          "<p>Each column by itself: the value that this share of the realisations stays at or below. SNR "
          "and Q "
          "are worst at 0, the SNR penalty at 1.</p>\n";
    out += count_verdicts(table) + html_table(table);
  }
  return out;
}

// --- Receptions. ---

std::string constellation(const h5::File& file) {
  const auto symbols = file.read<std::complex<float>>("/symbols", {2, h5::kAnyLength});
  const std::size_t length = symbols.size() / 2, count = std::min<std::size_t>(length, 1500);
  std::string out;
  for (std::size_t p = 0; p < 2; ++p) {
    Plot plot{p == 0 ? "recovered symbols, X" : "recovered symbols, Y",
              "in phase",
              "quadrature",
              false,
              {{"", {}}},
              {},
              true};
    const std::size_t first = p * length + (length - count) / 2;
    for (std::size_t k = first; k < first + count; ++k)
      if (std::isfinite(std::abs(symbols[k])))
        plot.series[0].points.push_back({symbols[k].real(), symbols[k].imag(), kNone, kNone});
    out += svg_figure(plot);
  }
  return out;
}

/// Text or number; "" for an empty text.
std::string attribute_shown(const h5::File& file, const std::string& name) {
  if (file.holds_text("/", name)) return file.attribute_text("/", name);
  try {
    return readable(file.attribute_number("/", name), 6);
  } catch (const InputError&) {
    return "";
  }
}

std::string result_section(const h5::File& file) {
  std::string out = "<dl>\n";
  for (const auto& name : file.attributes("/")) {
    if (name == "kind" || name == "format" || name == "version" || name == "git_hash" || name == "seed")
      continue;
    const std::string shown = attribute_shown(file, name);
    if (shown.empty()) continue;
    const bool verdict = shown == "pass" || shown == "fail" || shown == "undecided";
    out += "<dt>" + html_text(name) + "</dt><dd>" +
           (verdict ? "<span class=\"" + shown + "\">" + shown + "</span>" : html_text(shown)) + "</dd>\n";
  }
  return out + "</dl>\n" + constellation(file);
}

// --- The page. ---

/// What the scenario says beyond the defaults.
std::string scenario_summary(const Scenario& scenario) {
  const Scenario plain;
  std::string out;
  for (const ScenarioKey& key : scenario_keys()) {
    const std::string name = key.full_name();
    if (scenario.written(name) == plain.written(name)) continue;
    out += "<dt>" + html_text(name) + "</dt><dd>" + html_text(scenario.written(name)) +
           (key.unit.empty() ? "" : " " + html_text(std::string(key.unit))) + "</dd>\n";
  }
  return out.empty() ? "<p>every key at its default</p>\n" : "<dl>\n" + out + "</dl>\n";
}

std::string section(const std::string& path) {
  const h5::File file = h5::File::open(path);
  const std::string kind = file.has_attribute("/", "kind") ? file.attribute_text("/", "kind") : "";
  std::string body;
  if (kind == "cohlink curve")
    body = curve_section(file);
  else if (kind == "cohlink result")
    body = result_section(file);
  else if (kind == "cohlink limit" || kind == "cohlink margins" || kind == "cohlink outage" ||
           kind == "cohlink qualify")
    body = study_section(file);
  else
    throw InputError(path, "holds nothing to report" + (kind.empty() ? "" : " (it is a " + kind + ")") +
                               "; give curves, results, and what limit, margins, outage or qualify wrote "
                               "with -o");
  Scenario scenario;
  scenario.read_text(file.read_text("/scenario"), path + ":/scenario");
  const std::string provenance = kind + ", seed " + std::to_string(file.attribute_count("/", "seed")) +
                                 ", cohlink " + file.attribute_text("/", "version") + " (" +
                                 file.attribute_text("/", "git_hash") + ")";
  return "<section>\n" + tag("h2", std::filesystem::path(path).filename().string()) + "<p class=\"sub\">" +
         html_text(provenance) + "</p>\n" + body +
         "<details><summary>scenario: what differs from the defaults</summary>\n" +
         scenario_summary(scenario) + "</details>\n<details><summary>the whole scenario</summary>\n<pre>" +
         html_text(scenario.resolved()) + "</pre></details>\n</section>\n";
}

constexpr std::string_view kCaution =
    "<section class=\"caution\">\n<h2>How far to trust this page</h2>\n"
    "<p>Everything here was simulated. Intervals are 95 % and cover chance alone: how many errors were "
    "counted, "
    "not whether the model holds. A verdict is given only where the whole interval lies on one side of the "
    "threshold. Theory is ideal reception (matched filter, perfect phase) at the stated OSNR. Flaws that the "
    "scenario leaves at their defaults are absent, not typical. Thresholds stand for a code whose standard "
    "names them for independent errors. Where light is concerned, local rules and qualified staff decide "
    "what "
    "power may be in a fibre.</p>\n</section>\n";

}  // namespace

std::string report_page(const std::string& title, const std::vector<std::string>& paths) {
  std::string body;
  for (const auto& path : paths) body += section(path);
  return "<!DOCTYPE html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n"
         "<meta name=\"viewport\" content=\"width=device-width,initial-scale=1\">\n<title>" +
         html_text(title) + "</title>\n<style>" + std::string(kStyle) +
         "</style>\n</head>\n<body>\n<main>\n" + tag("h1", title) + "<p class=\"sub\">made by cohlink " +
         std::string(version().number) + " (" + std::string(version().git_hash) + ")</p>\n" + body +
         std::string(kCaution) + "</main>\n</body>\n</html>\n";
}

}  // namespace cohlink
