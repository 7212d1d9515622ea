#include "tools/study/files/report_sections.h"

#include <algorithm>
#include <cmath>
#include <functional>
#include <map>

#include "tools/study/files/report_html.h"
#include "tools/study/files/study_file.h"
#include "tools/study/files/svg.h"
#include "tools/study/plan/numbers.h"

namespace cohlink::report {
namespace {

/// Rows of a table, by a number in each.
std::vector<std::size_t> sorted_rows(const Table& table, const std::string& column) {
  std::vector<std::size_t> order;
  for (std::size_t row = 0; row < table.rows(); ++row) order.push_back(row);
  std::stable_sort(order.begin(), order.end(),
                   [&](std::size_t a, std::size_t b) { return at(table, column, a) < at(table, column, b); });
  return order;
}

/// The text of a cell, "" where it holds nothing or the column is missing.
std::string text_at(const Table& table, const std::string& column, std::size_t row) {
  const Column* found = table.find(column);
  const std::string text = found == nullptr ? "" : cell_text(found->cells[row], found->look);
  return text == kNothing ? "" : text;
}

std::string limit_plot(const Table& probes) {
  if (probes.columns.empty()) return "";
  const std::string key = probes.columns[0].name;
  Plot plot{"margin at the values probed; at 0 dB the criterion is crossed", quantity_of(key),
            quantity_of("margin_db")};
  plot.levels = {{0.0, "criterion"}};
  plot.series.push_back({"", {}});
  for (const std::size_t row : sorted_rows(probes, key))
    plot.series[0].points.push_back({at(probes, key, row), at(probes, "margin_db", row),
                                     at(probes, "margin_low_db", row), at(probes, "margin_high_db", row),
                                     kNone, text_at(probes, "decision", row)});
  return svg_figure(plot);
}

std::vector<double> numbers_of(const Table& table, const std::string& column) {
  std::vector<double> values;
  for (std::size_t row = 0; row < table.rows(); ++row)
    if (const double value = at(table, column, row); std::isfinite(value)) values.push_back(value);
  return values;
}

/// Share of realisations at or above each SNR penalty, and how the penalties and what was drawn are spread.
std::string outage_plots(const Table& realisations) {
  std::vector<double> penalties = numbers_of(realisations, "snr_penalty_db");
  std::sort(penalties.begin(), penalties.end());
  const Quantity penalty = quantity_of("snr_penalty_db");
  Plot plot{"share of realisations whose SNR penalty is at least this",
            penalty,
            {"share of the realisations", ""},
            {Spacing::kLog, Spacing::kLinear}};
  plot.series.push_back({"", {}, false, true});
  // Realisations without lock have no penalty and are worse than all that have.
  const auto n = static_cast<double>(realisations.rows());
  for (std::size_t i = 0; i < penalties.size(); ++i)
    plot.series[0].points.push_back({penalties[i], (n - static_cast<double>(i)) / n});
  std::string out =
      svg_histogram("SNR penalty of the realisations that locked", penalty, penalties, "realisations") +
      svg_figure(plot);
  for (const char* column : {"dgd_ps", "pdl_db"})
    if (const auto values = numbers_of(realisations, column); !values.empty())
      out += svg_histogram(
          std::string(column == std::string("dgd_ps") ? "DGD" : "PDL") + " of the realisations",
          {column == std::string("dgd_ps") ? "DGD" : "PDL", unit_of_column(column)}, values, "realisations");
  return out;
}

std::string margins_plots(const Table& impairments) {
  Bars cost{"what each impairment costs now, with 95 % intervals", {"cost in SNR", "dB", Look::kHundredths}},
      room{"how many times as large each may be before the criterion fails", {"headroom", "times"}, true};
  room.levels = {{1.0, "as it is"}};
  for (std::size_t row = 0; row < impairments.rows(); ++row) {
    const std::string name = text_at(impairments, "impairment", row),
                      state = text_at(impairments, "state", row);
    cost.rows.push_back({name, 0.0, at(impairments, "cost_db", row), at(impairments, "cost_low_db", row),
                         at(impairments, "cost_high_db", row),
                         std::isfinite(at(impairments, "cost_db", row)) ? "" : "not known"});
    room.rows.push_back({name, 1.0, at(impairments, "headroom", row), kNone, kNone,
                         std::isfinite(at(impairments, "headroom", row)) ? "" : state, "s1"});
  }
  return svg_bars(room) + svg_bars(cost);
}

/// From the largest source of noise on, the SNR that is left as each is counted.
std::string noise_walk(const Table& noise) {
  Bars walk{"the SNR, source by source: what is left when each is counted with all above it",
            {"SNR", "dB", Look::kHundredths}};
  double ratio = 0.0, before = kNone;
  for (const std::size_t row : sorted_rows(noise, "snr_db")) {
    if (!std::isfinite(at(noise, "snr_db", row))) continue;
    ratio += std::pow(10.0, -0.1 * at(noise, "snr_db", row));
    const double left = -10.0 * std::log10(ratio);
    const std::string name = text_at(noise, noise.columns[0].name, row);
    walk.rows.push_back({name, std::isnan(before) ? left : before, left, kNone, kNone,
                         std::isnan(before) ? "" : "-" + readable(before - left, 2) + " dB"});
    before = left;
  }
  return svg_bars(walk);
}

std::string span_plots(const Table& spans) {
  std::string out;
  for (const auto& [title, columns] : std::map<std::string, std::vector<std::string>>{
           {"power along the line", {"power_in_dbm", "power_out_dbm"}},
           {"OSNR along the line", {"osnr_db"}}}) {
    Plot plot{title,
              {"span", ""},
              {columns.size() > 1 ? "power" : "OSNR in 12.5 GHz", columns.size() > 1 ? "dBm" : "dB",
               Look::kHundredths}};
    for (const std::string& column : columns) {
      if (spans.find(column) == nullptr) continue;
      plot.series.push_back({columns.size() > 1 ? quantity_of(column).words : "", {}});
      for (std::size_t row = 0; row < spans.rows(); ++row)
        plot.series.back().points.push_back({at(spans, "span", row), at(spans, column, row)});
    }
    out += svg_figure(plot);
  }
  return out;
}

/// Margins of the requirements, those of one unit on one axis.
std::string requirement_bars(const Table& requirements) {
  std::map<std::string, Bars> by_unit;
  for (std::size_t row = 0; row < requirements.rows(); ++row) {
    const std::string unit = text_at(requirements, "margin_unit", row),
                      verdict = text_at(requirements, "verdict", row);
    Bars& bars =
        by_unit.try_emplace(unit, Bars{"margin of each requirement; at 0 the bound", {"margin", unit}})
            .first->second;
    bars.levels = {{0.0, "bound"}};
    bars.rows.push_back({text_at(requirements, "requirement", row), 0.0, at(requirements, "margin", row),
                         kNone, kNone, verdict, verdict});
  }
  std::string out;
  for (auto& [unit, bars] : by_unit) out += svg_bars(bars);
  return out;
}

/// Penalty against energy: each cut by itself, the front of their combinations, what was chosen.
std::string economy_plot(const StudyFile& study) {
  Plot plot{"what a cheaper receiver loses; bars: 95 % intervals",
            quantity_of("pj_per_bit"),
            {"penalty", "dB of SNR", Look::kHundredths}};
  const auto point = [](const Table& table, std::size_t row, const std::string& note) {
    return PlotPoint{at(table, "pj_per_bit", row),
                     at(table, "penalty_db", row),
                     at(table, "penalty_low_db", row),
                     at(table, "penalty_high_db", row),
                     kNone,
                     note};
  };
  std::map<std::string, PlotSeries> cuts;
  PlotSeries front{"cheapest combinations found", {}}, chosen{"chosen", {}, false, true};
  for (const auto& [name, table] : study.tables)
    for (std::size_t row = 0; row < table.rows(); ++row) {
      const std::string cut = text_at(table, "cut", row);
      if (name == "cuts") {
        PlotSeries& series = cuts.try_emplace(cut, PlotSeries{cut, {}}).first->second;
        series.points.push_back(
            point(table, row, text_at(table, "from", row) + " to " + text_at(table, "to", row)));
      } else if (name == "front") {
        front.points.push_back(point(table, row, cut));
        if (text_at(table, "chosen", row) == "yes") chosen.points.push_back(front.points.back());
      }
    }
  std::sort(front.points.begin(), front.points.end(),
            [](const PlotPoint& a, const PlotPoint& b) { return a.x < b.x; });
  for (PlotSeries* series : {&front, &chosen})
    if (!series->points.empty()) plot.series.push_back(std::move(*series));
  for (auto& [name, series] : cuts) plot.series.push_back(std::move(series));
  for (const Fact& fact : study.facts)
    if (fact.name == "penalty_allowed_db")
      if (const auto allowed = parse_number(fact.text.substr(0, fact.text.find(' '))))
        plot.levels.emplace_back(*allowed, "allowed");
  return svg_figure(plot);
}

/// What a budget expects beside what a curve measured.
std::string comparison_plot(const Table& points) {
  if (points.find("snr_expected_db") == nullptr) return "";
  const std::string key = points.columns[0].name;
  Plot plot{"SNR simulated and as the budget expects it", quantity_of(key), quantity_of("snr_db")};
  for (const auto& [name, column] :
       {std::pair{"simulated", "snr_db"}, {"budget", "snr_expected_db"}, {"budget, plain GN", "snr_gn_db"}}) {
    plot.series.push_back({name,
                           {},
                           name != std::string("simulated"),
                           false,
                           plot.series.empty() ? kOwnLook : plot.series.size()});
    for (const std::size_t row : sorted_rows(points, key))
      plot.series.back().points.push_back(
          {at(points, key, row), at(points, column, row), kNone, kNone,
           plot.series.size() == 1 ? at(points, "snr_expected_db", row) : kNone});
  }
  return svg_figure(plot);
}

std::string picture_of(const std::string& name, const Table& table) {
  static const std::map<std::string, std::function<std::string(const Table&)>> kPictures = {
      {"probes", limit_plot},
      {"points", comparison_plot},
      {"realisations", outage_plots},
      {"impairments", margins_plots},
      {"noise", noise_walk},
      {"spans", span_plots},
      {"requirements", requirement_bars}};
  const auto found = kPictures.find(name);
  return found == kPictures.end() ? "" : found->second(table);
}

}  // namespace

std::string study_section(const h5::File& file) {
  // Long ones, with what their fold is called.
  static const std::map<std::string, std::string> kFolded = {
      {"realisations", "all realisations"}, {"combinations", "all receivers that were tried"}};
  const StudyFile study = read_study(file);
  std::string out = html_facts(study.facts) + economy_plot(study);
  for (const auto& [name, table] : study.tables) {
    if (table.rows() == 0) continue;  // heads without a row, of what was not asked for
    out += picture_of(name, table);
    if (const auto folded = kFolded.find(name); folded != kFolded.end()) {
      out +=
          "<details><summary>" + folded->second + "</summary>\n" + html_table(table, name) + "</details>\n";
      continue;
    }
    if (name == "quantiles")
      out +=
          "<p>Each column by itself: the value that this share of the realisations stays at or below. SNR "
          "and Q "
          "are worst at 0, the SNR penalty at 1.</p>\n";
    out += count_verdicts(table) + html_table(table, name);
  }
  return out;
}

}  // namespace cohlink::report
