// Bars along a row each, and histograms.
#include <algorithm>
#include <cmath>

#include "tools/study/files/svg_parts.h"
#include "tools/study/plan/numbers.h"

namespace cohlink {
namespace {

using svg::Frame;
using svg::Range;
using svg::Scale;

constexpr double kRow = 48;  // height of a row: its name, and the bar below
constexpr std::size_t kMostBins = 40;

std::string reading(const Bars& bars, const Bars::Row& row) {
  std::string text = row.name + ": ";
  if (std::isfinite(row.to)) text += bars.value.shown(row.to);
  if (std::isfinite(row.low) && std::isfinite(row.high))
    text += " (95 %: " + bars.value.shown(row.low) + " to " + bars.value.shown(row.high) + ")";
  return text + (row.word.empty() ? "" : (std::isfinite(row.to) ? ", " : "") + row.word);
}

Table numbers_of(const Bars& bars) {
  Table table;
  for (const char* name : {"row", "from", "to", "low", "high", "word"}) table.add(name);
  table.columns[2].name = bars.value.label();
  for (const Bars::Row& row : bars.rows) {
    const Cell cells[] = {row.name, row.from, row.to, row.low, row.high, row.word};
    for (std::size_t c = 0; c < table.columns.size(); ++c) table.columns[c].cells.push_back(cells[c]);
  }
  return table;
}

Range range_of(const Bars& bars, Spacing spacing) {
  Range range;
  for (const Bars::Row& row : bars.rows)
    for (const double value : {row.from, row.to, row.low, row.high})
      if (std::isfinite(row.to) && Scale::drawable(value, spacing)) range.take(value);
  for (const auto& [level, word] : bars.levels)
    if (Scale::drawable(level, spacing)) range.take(level);
  if (range.empty()) range.take(1.0);
  return range;
}

std::string draw_row(const Bars& bars, const Bars::Row& row, const Scale& x, double y) {
  std::string out = svg::text(6, y + 0.42 * kRow, "start", html_text(row.name), " class=\"over\"");
  if (!std::isfinite(row.to))
    return out +
           svg::text(x.at(row.from) + 6, y + 0.86 * kRow, "start", html_text(row.word), " class=\"soft\"");
  const double a = std::min(x.at(row.from), x.at(row.to)), b = std::max(x.at(row.from), x.at(row.to));
  const double top = y + 0.54 * kRow, height = 0.34 * kRow;
  out += svg::box({a, top, std::max(b - a, 1.0), height}, "mark block " + row.kind, reading(bars, row));
  double end = b;
  if (std::isfinite(row.low) && std::isfinite(row.high)) {
    out += svg::line(x.at(row.low), top + 0.5 * height, x.at(row.high), top + 0.5 * height, "interval");
    end = std::max(end, x.at(row.high));
  }
  const std::string word = bars.value.shown(row.to) + (row.word.empty() ? "" : ", " + row.word);
  return out + svg::text(end + 6, top + height - 2, "start", html_text(word), " class=\"soft\"");
}

}  // namespace

std::string svg_bars(const Bars& bars) {
  if (bars.rows.empty()) return "";
  const Spacing spacing = bars.logarithmic ? Spacing::kLog : Spacing::kLinear;
  Frame frame{640, 0, 30, 190, 26, 56};  // what stands behind a bar needs room
  frame.height = frame.top + kRow * static_cast<double>(bars.rows.size()) + frame.bottom;
  const Range range = range_of(bars, spacing);
  const Scale x(range.low, range.high, frame.left, frame.x_end(), spacing);
  std::string body;
  int count = 0;
  for (const auto& mark : x.marks()) {
    body += svg::line(mark.at, frame.top, mark.at, frame.y_end(), mark.label.empty() ? "minor" : "grid");
    if (!mark.label.empty())
      body += svg::text(mark.at, frame.y_end(), "middle", mark.label,
                        std::string(" dy=\"1.35em\"") + (count++ % 2 == 1 ? " class=\"alternate\"" : ""));
  }
  for (const auto& [level, word] : bars.levels)
    body += svg::line(x.at(level), frame.top, x.at(level), frame.y_end(), "level") +
            svg::text(x.at(level), frame.top - 6, x.at(level) < 90.0 ? "start" : "middle", html_text(word),
                      " class=\"levelword\"");
  for (std::size_t i = 0; i < bars.rows.size(); ++i)
    body += draw_row(bars, bars.rows[i], x, frame.top + kRow * static_cast<double>(i));
  body += svg::text(0.5 * (frame.left + frame.x_end()), frame.height - 8, "middle",
                    html_text(bars.value.label()), " class=\"name\"");
  return svg::figure({bars.title,
                      svg::picture(frame, " role=\"img\" aria-label=\"" + html_text(bars.title) + "\"", body),
                      "", "bars", numbers_of(bars)});
}

std::string svg_histogram(const std::string& title, const Quantity& value, const std::vector<double>& values,
                          const std::string& counted) {
  Range range;
  for (const double v : values) range.take(v);
  if (range.empty() || range.high == range.low) return "";
  // As many bins as the square root of what is counted: common practice.
  const auto bins = std::clamp<std::size_t>(
      static_cast<std::size_t>(std::lround(std::sqrt(static_cast<double>(values.size())))), 4, kMostBins);
  const double width = (range.high - range.low) / static_cast<double>(bins);
  if (!std::isfinite(width)) return "";
  std::vector<std::uint64_t> counts(bins);
  for (const double v : values)
    if (std::isfinite(v)) ++counts[std::min(bins - 1, static_cast<std::size_t>((v - range.low) / width))];
  const Frame frame;
  const Scale x(range.low, range.high, frame.left, frame.x_end(), Spacing::kLinear);
  const auto most = static_cast<double>(*std::max_element(counts.begin(), counts.end()));
  const Scale y(0.0, most, frame.y_end(), frame.top, Spacing::kLinear);
  std::string body = svg::grid(frame, x, y, value.label(), counted);
  Table table{{{"from"}, {"to"}, {counted}}};
  for (std::size_t i = 0; i < bins; ++i) {
    const double from = range.low + width * static_cast<double>(i), to = from + width;
    const double top = y.at(static_cast<double>(counts[i]));
    body += svg::box({x.at(from), top, x.at(to) - x.at(from), frame.y_end() - top}, "mark bin s0",
                     value.words + " " + value.shown(from) + " to " + value.shown(to) + ": " +
                         grouped(counts[i]) + " " + counted);
    table.columns[0].cells.emplace_back(from);
    table.columns[1].cells.emplace_back(to);
    table.columns[2].cells.emplace_back(counts[i]);
  }
  return svg::figure({title,
                      svg::picture(frame, " role=\"img\" aria-label=\"" + html_text(title) + "\"", body), "",
                      "", table});
}

}  // namespace cohlink
