// Values over two keys, as shades with the number in each.
#include <algorithm>
#include <array>
#include <cmath>
#include <cstdio>

#include "tools/study/files/svg_parts.h"
#include "tools/study/plan/numbers.h"

namespace cohlink {
namespace {

using svg::Frame;
using svg::place;
using svg::Range;
using svg::Scale;

using Colour = std::array<double, 3>;

/// From paper to ink by way of blue: lightness falls all the way, so that grey prints and colour-blind
/// readers see the same order.
Colour shade(double share) {
  constexpr Colour kStops[] = {
      {238, 243, 245}, {176, 208, 222}, {104, 160, 196}, {38, 98, 158}, {18, 36, 84}};
  const double at = std::clamp(share, 0.0, 1.0) * 4.0;
  const auto below = std::min<std::size_t>(3, static_cast<std::size_t>(at));
  Colour c;
  for (std::size_t i = 0; i < 3; ++i)
    c[i] = kStops[below][i] + (at - static_cast<double>(below)) * (kStops[below + 1][i] - kStops[below][i]);
  return c;
}

/// Relative luminance as WCAG 2.2 defines it.
double luminance(const Colour& c) {
  constexpr double kWeights[] = {0.2126, 0.7152, 0.0722};
  double sum = 0.0;
  for (std::size_t i = 0; i < 3; ++i) {
    const double v = c[i] / 255.0;
    sum += kWeights[i] * (v <= 0.04045 ? v / 12.92 : std::pow((v + 0.055) / 1.055, 2.4));
  }
  return sum;
}
/// Black and white have the same contrast, 4.58, where (L + 0.05)^2 = 0.05 * 1.05.
constexpr double kEvenLuminance = 0.179;

std::string hex(const Colour& c) {
  char text[8];
  std::snprintf(text, sizeof text, "#%02x%02x%02x", static_cast<unsigned>(std::lround(c[0])),
                static_cast<unsigned>(std::lround(c[1])), static_cast<unsigned>(std::lround(c[2])));
  return text;
}

class Map {
 public:
  explicit Map(const HeatMap& map) : map_(map) {
    frame_ = {640, 0, 118, 16, 36, 66};
    cell_ = {(frame_.x_end() - frame_.left) / static_cast<double>(map.x.size()), 34};
    frame_.height = frame_.top + cell_[1] * static_cast<double>(map.y.size()) + frame_.bottom;
    for (const auto& row : map.rows)
      for (const double v : row)
        if (Scale::drawable(v, map.spacing)) range_.take(coordinate(v));
  }
  bool empty() const { return range_.empty(); }

  std::string svg() const {
    std::string body;
    for (std::size_t j = 0; j < map_.y.size(); ++j) {
      body +=
          svg::text(frame_.left - 8, top(j) + 0.5 * cell_[1], "end", html_text(map_.y[j]), " dy=\"0.35em\"");
      for (std::size_t i = 0; i < map_.x.size(); ++i) body += draw_cell(i, j);
    }
    for (std::size_t i = 0; i < map_.x.size(); ++i)
      body += svg::text(
          left(i) + 0.5 * cell_[0], frame_.y_end(), "middle", html_text(map_.x[i]),
          std::string(" dy=\"1.35em\"") + (i % 2 == 1 && map_.x.size() > 5 ? " class=\"alternate\"" : ""));
    body += boundary();
    body += svg::text(0.5 * (frame_.left + frame_.x_end()), frame_.height - 8, "middle",
                      html_text(map_.x_label), " class=\"name\"");
    body += svg::text(6, 20, "start", html_text(map_.y_label), " class=\"name\"");
    return svg::picture(frame_, " role=\"img\" aria-label=\"" + html_text(map_.title) + "\"", body);
  }

  Table numbers() const {
    Table table;
    for (const std::string& name : {map_.x_label, map_.y_label, map_.value.label()}) table.add(name);
    if (!map_.verdicts.empty()) table.add("verdict");
    for (std::size_t j = 0; j < map_.y.size(); ++j)
      for (std::size_t i = 0; i < map_.x.size(); ++i) {
        table.columns[0].cells.emplace_back(map_.x[i]);
        table.columns[1].cells.emplace_back(map_.y[j]);
        table.columns[2].cells.emplace_back(map_.rows[j][i]);
        if (!map_.verdicts.empty()) table.columns[3].cells.emplace_back(map_.verdicts[j][i]);
      }
    return table;
  }

 private:
  double coordinate(double v) const { return map_.spacing == Spacing::kLog ? std::log10(v) : v; }
  double left(std::size_t i) const { return frame_.left + cell_[0] * static_cast<double>(i); }
  double top(std::size_t j) const { return frame_.top + cell_[1] * static_cast<double>(j); }
  bool passes(std::size_t i, std::size_t j) const { return map_.verdicts[j][i] == "pass"; }

  std::string draw_cell(std::size_t i, std::size_t j) const {
    const double v = map_.rows[j][i], span = range_.high - range_.low;
    const bool known = Scale::drawable(v, map_.spacing);
    // No error counted is better than all that were.
    const double share = !known ? 0.0 : span > 0.0 ? (coordinate(v) - range_.low) / span : 0.5;
    std::string reading = map_.x_label + " = " + map_.x[i] + ", " + map_.y_label + " = " + map_.y[j] + ": " +
                          (std::isnan(v) ? "no value" : map_.value.shown(v));
    if (!map_.verdicts.empty()) reading += ", " + map_.verdicts[j][i];
    std::string out = "<rect x=\"" + place(left(i)) + "\" y=\"" + place(top(j)) + "\" width=\"" +
                      place(cell_[0]) + "\" height=\"" + place(cell_[1]) + "\" class=\"mark cell\" fill=\"" +
                      (std::isnan(v) ? "none" : hex(shade(share))) + "\"><title>" + html_text(reading) +
                      "</title></rect>\n";
    if (cell_[0] < 62.0 && !std::isnan(v)) return out;  // too narrow for a number
    const char* kind = std::isnan(v)                              ? "soft"
                       : luminance(shade(share)) > kEvenLuminance ? "onlight"
                                                                  : "ondark";
    const std::string shown = std::isnan(v)                          ? "–"
                              : map_.value.look == Look::kScientific ? scientific(v)
                                                                     : readable(v, 4);
    return out + svg::text(left(i) + 0.5 * cell_[0], top(j) + 0.5 * cell_[1], "middle", shown,
                           std::string(" dy=\"0.35em\" class=\"") + kind +
                               (cell_[0] < 105.0 ? " dense" : "") + "\"");
  }

  std::string boundary() const {
    std::string out;
    for (std::size_t j = 0; !map_.verdicts.empty() && j < map_.y.size(); ++j)
      for (std::size_t i = 0; i < map_.x.size(); ++i) {
        if (i > 0 && passes(i, j) != passes(i - 1, j))
          out += svg::line(left(i), top(j), left(i), top(j) + cell_[1], "parting");
        if (j > 0 && passes(i, j) != passes(i, j - 1))
          out += svg::line(left(i), top(j), left(i) + cell_[0], top(j), "parting");
      }
    return out;
  }

  const HeatMap& map_;
  Frame frame_;
  std::array<double, 2> cell_ = {};
  Range range_;
};

}  // namespace

std::string svg_heat_map(const HeatMap& map) {
  const Map drawing(map);
  if (drawing.empty()) return "";
  return svg::figure({map.title, drawing.svg(), "", "", drawing.numbers()});
}

}  // namespace cohlink
