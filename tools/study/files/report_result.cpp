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

}  // namespace

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

}  // namespace cohlink::report
