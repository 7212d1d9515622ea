#include "tools/study/files/report_sections.h"

#include <algorithm>
#include <cmath>

#include "tools/study/files/report_html.h"
#include "tools/study/files/study_file.h"
#include "tools/study/files/svg.h"
#include "tools/study/plan/numbers.h"

namespace cohlink::report {
namespace {

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

}  // namespace

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

}  // namespace cohlink::report
