#include "tools/study/files/report_sections.h"

#include <algorithm>
#include <cmath>
#include <complex>

#include "sim/signal/scenario/errors.h"
#include "tools/study/files/report_html.h"
#include "tools/study/files/svg.h"
#include "tools/study/plan/numbers.h"

namespace cohlink::report {
namespace {

constexpr std::size_t kSymbols = 1500, kStagePoints = 300, kSignalPoints = 200;

/// The middle `most` points of a row of [2, n].
std::vector<std::complex<float>> middle(const std::vector<std::complex<float>>& rows, std::size_t row,
                                        std::size_t most) {
  const std::size_t length = rows.size() / 2, count = std::min(length, most);
  const auto first = rows.begin() + static_cast<std::ptrdiff_t>(row * length + (length - count) / 2);
  return {first, first + static_cast<std::ptrdiff_t>(count)};
}

/// X and Y of [2, n], on one scale.
std::string pair_of_clouds(const std::string& name, const std::vector<std::complex<float>>& rows,
                           std::size_t most, bool one_of_many) {
  const auto x = middle(rows, 0, most), y = middle(rows, 1, most);
  const double extent = std::max(extent_of(x), extent_of(y));
  return svg_cloud(name + ", X", x, extent, one_of_many) + svg_cloud(name + ", Y", y, extent, one_of_many);
}

/// The lanes, then X and Y after every block.
std::string stages(const h5::File& file) {
  std::vector<std::string> groups;
  if (file.has("/input/points")) groups.emplace_back("/input");
  for (const std::string& name : file.children("/stages"))
    if (file.has("/stages/" + name + "/points")) groups.push_back("/stages/" + name);
  std::string out;
  for (const std::string& group : groups) {
    const auto points = file.read<std::complex<float>>(group + "/points", {2, h5::kAnyLength});
    const std::string name = group == "/input" ? "lanes as they came" : group.substr(group.rfind('/') + 1);
    out += pair_of_clouds(name, points, kStagePoints, true);
  }
  return out.empty() ? "" : "<h3>Block by block</h3>\n<div class=\"stages\">\n" + out + "</div>\n";
}

/// Magnitude of the equaliser's four filters.
std::string taps(const h5::File& file) {
  if (!file.has("/equaliser/taps")) return "";
  const auto all = file.read<std::complex<float>>("/equaliser/taps", {2, 2, h5::kAnyLength});
  const std::size_t length = all.size() / 4;
  Plot plot{"taps of the equaliser: the ways from X and Y to each output",
            {"tap, half a symbol apart"},
            {"magnitude", ""},
            {Spacing::kLinear, Spacing::kLog}};
  constexpr const char* kNames[] = {"X from X", "X from Y", "Y from X", "Y from Y"};
  for (std::size_t filter = 0; filter < 4; ++filter) {
    plot.series.push_back({kNames[filter], {}});
    for (std::size_t k = 0; k < length; ++k)
      plot.series.back().points.push_back({static_cast<double>(k) - 0.5 * static_cast<double>(length - 1),
                                           std::abs(all[filter * length + k])});
  }
  return svg_figure(plot);
}

/// What one block measured along the capture: timing, an error, a phase.
std::string signal(const h5::File& file, const std::string& path, const std::string& block) {
  const h5::Shape shape = file.shape(path);
  const auto symbol = file.read<double>(path + "_symbol");
  if (shape.size() != 2 || symbol.size() != shape[1] || shape[1] == 0) return "";
  const auto values = file.read<float>(path, shape);
  std::string words = path.substr(path.rfind('/') + 1);
  std::replace(words.begin(), words.end(), '_', ' ');
  const std::string unit = file.holds_text(path, "unit") ? file.attribute_text(path, "unit") : "";
  Plot plot{words + ", as the block " + block + " found it", {"symbol", "", Look::kShort}, {words, unit}};
  const std::size_t stride = (shape[1] + kSignalPoints - 1) / kSignalPoints;
  for (std::size_t row = 0; row < std::min<std::size_t>(shape[0], 2); ++row) {
    plot.series.push_back({shape[0] == 1 ? "" : row == 0 ? "X" : "Y", {}});
    for (std::size_t k = 0; k < shape[1]; k += stride)
      plot.series.back().points.push_back({symbol[k], values[row * shape[1] + k]});
  }
  return svg_figure(plot);
}

std::string signals(const h5::File& file) {
  std::string out;
  for (const std::string& stage : file.children("/stages"))
    for (const std::string& name : file.children("/stages/" + stage)) {
      const std::string path = "/stages/" + stage + "/" + name;
      if (file.has(path + "_symbol")) out += signal(file, path, stage.substr(stage.find('-') + 1));
    }
  return out;
}

/// The attribute as a fact; no text where it is none.
Fact fact_of(const h5::File& file, const std::string& name) {
  if (file.holds_text("/", name)) {
    const std::string text = file.attribute_text("/", name);
    return {name, name, text, text};
  }
  try {
    const double value = file.attribute_number("/", name);
    return {name, name, value, readable(value, 6)};
  } catch (const InputError&) {
    return {};
  }
}

}  // namespace

std::string result_section(const h5::File& file) {
  std::vector<Fact> facts;
  for (const auto& name : file.attributes("/"))
    if (name != "kind" && name != "format" && name != "version" && name != "git_hash" && name != "seed")
      facts.push_back(fact_of(file, name));
  const auto symbols = file.read<std::complex<float>>("/symbols", {2, h5::kAnyLength});
  return html_facts(facts) + "<div class=\"pair\">\n" +
         pair_of_clouds("recovered symbols", symbols, kSymbols, false) + "</div>\n" + taps(file) +
         signals(file) + stages(file);
}

}  // namespace cohlink::report
