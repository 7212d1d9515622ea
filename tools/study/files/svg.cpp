#include "tools/study/files/svg.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <limits>

#include "rx/quality/metrics.h"
#include "tools/study/files/svg_parts.h"
#include "tools/study/plan/numbers.h"

namespace cohlink {
namespace {

using svg::Frame;
using svg::place;
using svg::Range;
using svg::Scale;

constexpr std::size_t kColours = 6, kMostMarks = 60;

/// Colour and shape both change from one series to the next; the shapes are one further every time the
/// colours begin again, so that no pair is met twice among the first 36.
/// A closed form that belongs to no series alone is drawn in soft ink.
constexpr std::size_t kSoft = kOwnLook - 1;

std::string colour_of(std::size_t look) {
  return look == kSoft ? "st" : "s" + std::to_string(look % kColours);
}

/// The look of each series: solid ones have a number each, closed forms that of the series they belong to.
std::vector<std::size_t> looks_of(const Plot& plot) {
  std::vector<std::size_t> looks;
  std::size_t solid = 0;
  for (const PlotSeries& series : plot.series) {
    if (series.look != kOwnLook)
      looks.push_back(series.look);
    else
      looks.push_back(series.dashed ? kSoft : solid);
    if (!series.dashed) ++solid;
  }
  return looks;
}

std::string shape_at(std::size_t series, double x, double y) {
  // Circle, square, diamond, triangles up and down, cross; about equal in area.
  static constexpr std::array kShapes = {"m-3.4 0a3.4 3.4 0 1 0 6.8 0a3.4 3.4 0 1 0 -6.8 0z",
                                         "m-3 -3h6v6h-6z",
                                         "m0 -4.4l4.4 4.4l-4.4 4.4l-4.4 -4.4z",
                                         "m0 -4.2l4.2 7h-8.4z",
                                         "m0 4.2l4.2 -7h-8.4z",
                                         "m-1.2 -4h2.4v2.8h2.8v2.4h-2.8v2.8h-2.4v-2.8h-2.8v-2.4h2.8z"};
  return "M" + place(x, 2) + " " + place(y, 2) + kShapes[(series + series / kColours) % kShapes.size()];
}

std::string join_places(std::initializer_list<double> places) {
  std::string out;
  for (const double value : places) out += (out.empty() ? "" : " ") + place(value);
  return out;
}

/// One picture of a plot.
class Drawing {
 public:
  Drawing(const Plot& plot, Spacing spacing, const Range& xs, bool log_x)
      : plot_(plot),
        spacing_(spacing),
        x_spacing_(log_x ? Spacing::kLog : Spacing::kLinear),
        frame_(),
        x_(xs.low, xs.high, frame_.left, frame_.x_end(), x_spacing_),
        y_(make_y()) {}

  std::string svg(bool shown) const {
    std::string body = svg::grid(frame_, x_, y_, plot_.x.label(), y_label());
    const std::vector<std::size_t> looks = looks_of(plot_);
    for (std::size_t i = 0; i < plot_.series.size(); ++i)
      body += "<g data-series=\"" + std::to_string(i) + "\">\n" + draw_series(plot_.series[i], looks[i]) +
              "</g>\n";
    for (const auto& [level, word] : plot_.levels)
      if (Scale::drawable(level, spacing_)) body += draw_level(level, word);
    static constexpr const char* kNames[] = {"linear", "log", "Q"};
    return svg::picture(frame_,
                        " data-spacing=\"" + std::string(kNames[static_cast<std::size_t>(spacing_)]) + "\"" +
                            axes() + " role=\"img\" aria-label=\"" + html_text(plot_.title) + "\"" +
                            (shown ? "" : " hidden=\"\""),
                        body);
  }

 private:
  /// What the script fits the axes by.
  std::string axes() const {
    const auto law = [](Spacing spacing) { return spacing == Spacing::kLog ? " log" : " linear"; };
    const auto ends = [](const Scale& scale) {
      return exact_decimal(scale.begin()) + " " + exact_decimal(scale.end());
    };
    return " data-frame=\"" + join_places({frame_.left, frame_.top, frame_.x_end(), frame_.y_end()}) +
           "\" data-x=\"" + ends(x_) + law(x_spacing_) + "\" data-y=\"" + ends(y_) + law(spacing_) + "\"";
  }

  /// How often curves pass through a rectangle: points along them, closer than a letter.
  int passes(const svg::Rectangle& at) const {
    int count = 0;
    for (const PlotSeries& series : plot_.series)
      for (std::size_t i = 0; i < series.points.size(); ++i) {
        const PlotPoint &p = series.points[i],
                        &next = series.points[std::min(i + 1, series.points.size() - 1)];
        if (!Scale::drawable(p.y, spacing_) || !Scale::drawable(next.y, spacing_)) continue;
        for (int part = 0; part < 40; ++part) {
          const double share = part / 40.0, x = std::lerp(x_.at(p.x), x_.at(next.x), share),
                       y = std::lerp(y_.at(p.y), y_.at(next.y), share);
          if (x > at.x && x < at.x + at.width && y > at.y && y < at.y + at.height) ++count;
        }
      }
    return count;
  }

  /// Its words stand above or below it, at the end where the fewest curves lie behind them.
  std::string draw_level(double level, const std::string& word) const {
    const std::string words = word + " " + shown_y(level);
    const double y = y_.at(level), wide = 7.6 * static_cast<double>(words.size()) + 8.0;
    bool right = true, below = false;
    int fewest = std::numeric_limits<int>::max();
    for (const bool under : {false, true})
      for (const bool at_right : {true, false}) {
        const int behind =
            passes({at_right ? frame_.x_end() - wide : frame_.left, under ? y : y - 18.0, wide, 18.0});
        if (behind < fewest) fewest = behind, right = at_right, below = under;
      }
    return svg::line(frame_.left, y, frame_.x_end(), y, "level") +
           svg::text(right ? frame_.x_end() - 4 : frame_.left + 4, below ? y + 14 : y - 5,
                     right ? "end" : "start", html_text(words), " class=\"levelword\"");
  }

  Scale make_y() const {
    Range ys;
    const auto take = [&](double y) {
      if (Scale::drawable(y, spacing_)) ys.take(y);
    };
    for (const PlotSeries& series : plot_.series)
      for (const PlotPoint& p : series.points)
        for (const double y : {p.y, p.low, p.high}) take(y);
    for (const auto& [level, word] : plot_.levels) take(level);
    if (ys.empty()) ys.take(spacing_ == Spacing::kLinear ? 0.0 : 0.1);
    if (spacing_ != Spacing::kLinear) ys.low = std::max(ys.low, 1e-9 * ys.high);
    return {ys.low, ys.high, frame_.y_end(), frame_.top, spacing_};
  }

  std::string y_label() const {
    return spacing_ == Spacing::kQ ? "Q of the " + plot_.y.words + " [dB]" : plot_.y.label();
  }

  std::string shown_y(double y) const {
    return spacing_ == Spacing::kQ ? fixed(q_from_ber_db(y), 2) + " dB" : plot_.y.shown(y);
  }

  std::string reading(const PlotSeries& series, const PlotPoint& p) const {
    std::string text =
        (series.name.empty() ? "" : series.name + "; ") + plot_.x.words + " " + plot_.x.shown(p.x) + ": ";
    const bool counted = Scale::drawable(p.y, spacing_);
    text += counted ? (spacing_ == Spacing::kQ ? "Q " : "") + shown_y(p.y) : "nothing counted";
    if (std::isfinite(p.high) && (std::isfinite(p.low) || !counted)) {
      const bool turned = spacing_ == Spacing::kQ;  // the larger error ratio is the smaller Q
      const double low = turned ? p.high : p.low, high = turned ? p.low : p.high;
      text += counted && Scale::drawable(low, spacing_) && Scale::drawable(high, spacing_)
                  ? " (95 %: " + shown_y(low) + " to " + shown_y(high) + ")"
                  : std::string(" (95 %: ") + (turned ? "above " : "below ") + shown_y(p.high) + ")";
    }
    if (Scale::drawable(p.theory, spacing_)) text += ", theory " + shown_y(p.theory);
    return text + (p.note.empty() ? "" : ", " + p.note);
  }

  std::string mark(const PlotSeries& series, const PlotPoint& p, std::size_t look) const {
    // Points of a dense line show only where one is read.
    const char* kind = series.points.size() > kMostMarks ? "mark faint " : "mark ";
    return "<path class=\"" + (kind + colour_of(look)) + "\" d=\"" + shape_at(look, x_.at(p.x), y_.at(p.y)) +
           "\"><title>" + html_text(reading(series, p)) + "</title></path>\n";
  }

  /// Nothing counted: the upper end of the interval alone, as an arrow from above.
  std::string arrow(const PlotSeries& series, const PlotPoint& p, std::size_t look) const {
    if (!Scale::drawable(p.high, spacing_) || !std::isfinite(p.x) || series.dashed) return "";
    const double x = x_.at(p.x), y = y_.at(p.high);
    return "<path class=\"mark arrow " + colour_of(look) + "\" d=\"M" + place(x, 2) + " " + place(y, 2) +
           "m-5 0h10m-5 0v13m-4 -5l4 5l4 -5\"><title>" + html_text(reading(series, p)) + "</title></path>\n";
  }

  std::string draw_series(const PlotSeries& series, std::size_t look) const {
    std::string path, marks;
    bool pen_up = true;
    for (const PlotPoint& p : series.points) {
      if (!Scale::drawable(p.y, spacing_) || !std::isfinite(p.x)) {
        marks += arrow(series, p, look);
        pen_up = true;
        continue;
      }
      path += (pen_up ? "M" : "L") + place(x_.at(p.x), 2) + " " + place(y_.at(p.y), 2);
      pen_up = false;
      if (std::isfinite(p.high) && std::isfinite(p.low) && !series.dashed)
        marks += svg::line(x_.at(p.x), y_.at(p.low), x_.at(p.x), y_.at(p.high), "bar " + colour_of(look));
      if (!series.dashed) marks += mark(series, p, look);
    }
    const std::string kind = "line " + colour_of(look) + (series.dashed ? " dashed" : "");
    if (!path.empty() && !series.dots_only)
      marks = "<path d=\"" + path + "\" class=\"" + kind + "\"/>\n" + marks;
    return marks;
  }

  const Plot& plot_;
  Spacing spacing_, x_spacing_;
  Frame frame_;
  Scale x_, y_;
};

std::string key_to(const PlotSeries& series, std::size_t look) {
  const std::string line =
      "<path d=\"M0 6h30\" class=\"line " + colour_of(look) + (series.dashed ? " dashed\"/>" : "\"/>");
  return "<svg class=\"key\" viewBox=\"0 0 30 12\" aria-hidden=\"true\">" + (series.dots_only ? "" : line) +
         (series.dashed ? ""
                        : "<path class=\"" + colour_of(look) + "\" d=\"" + shape_at(look, 15, 6) + "\"/>") +
         "</svg>";
}

std::string legend(const Plot& plot) {
  if (plot.series.size() < 2 && (plot.series.empty() || plot.series.front().name.empty())) return "";
  const std::vector<std::size_t> looks = looks_of(plot);
  std::string out = "<ul class=\"legend\">";
  for (std::size_t i = 0; i < plot.series.size(); ++i)
    out += "<li data-series=\"" + std::to_string(i) + "\">" + key_to(plot.series[i], looks[i]) +
           html_text(plot.series[i].name) + "</li>";
  return out + "</ul>\n";
}

Table numbers_of(const Plot& plot) {
  Table table;
  for (const char* name : {"series", "x", "y", "low", "high", "theory", "note"}) table.add(name);
  for (const PlotSeries& series : plot.series)
    for (const PlotPoint& p : series.points) {
      const Cell cells[] = {series.name, p.x, p.y, p.low, p.high, p.theory, p.note};
      for (std::size_t c = 0; c < table.columns.size(); ++c) table.columns[c].cells.push_back(cells[c]);
    }
  table.columns[1].name = plot.x.label(), table.columns[2].name = plot.y.label();
  // What no point has is no column.
  std::erase_if(table.columns, [](const Column& column) {
    return std::all_of(column.cells.begin(), column.cells.end(), [](const Cell& cell) {
      const auto* number = std::get_if<double>(&cell);
      const auto* text = std::get_if<std::string>(&cell);
      return (number != nullptr && std::isnan(*number)) || (text != nullptr && text->empty());
    });
  });
  return table;
}

/// Values from 1 to 30 or further, none at or below zero, lie along a logarithm.
bool spread_by_factors(const Plot& plot, const Range& xs) {
  std::size_t most = 0;
  for (const PlotSeries& series : plot.series) most = std::max(most, series.points.size());
  return xs.low > 0.0 && xs.high >= 30.0 * xs.low && most > 2;
}

}  // namespace

std::string svg_figure(const Plot& plot) {
  Range xs;
  bool any = false;
  for (const PlotSeries& series : plot.series)
    for (const PlotPoint& p : series.points) {
      xs.take(p.x);
      for (const double y : {p.y, p.low, p.high}) any = any || Scale::drawable(y, plot.spacings.front());
    }
  if (xs.empty() || !any) return "";
  svg::Figure figure{plot.title, "", legend(plot), "", numbers_of(plot)};
  for (std::size_t i = 0; i < plot.spacings.size(); ++i)
    figure.pictures += Drawing(plot, plot.spacings[i], xs, spread_by_factors(plot, xs)).svg(i == 0);
  return svg::figure(figure);
}

double extent_of(const std::vector<std::complex<float>>& points) {
  Range range;
  for (const auto z : points)
    for (const double part : {std::abs(z.real()), std::abs(z.imag())}) range.take(part);
  return range.empty() ? 0.0 : range.high;
}

std::string svg_cloud(const std::string& name, const std::vector<std::complex<float>>& points, double most,
                      bool one_of_many) {
  if (!(most > 0.0)) return "";
  const Frame frame = one_of_many ? Frame{230, 220, 40, 12, 8, 28} : Frame{360, 352, 62, 14, 14, 54};
  const Scale x(-most, most, frame.left, frame.x_end(), Spacing::kLinear),
      y(-most, most, frame.y_end(), frame.top, Spacing::kLinear);
  std::string dots;
  Table table{{{"in phase"}, {"quadrature"}}};
  for (const auto z : points) {
    if (!std::isfinite(std::abs(z))) continue;
    dots += "M" + place(x.at(z.real())) + " " + place(y.at(z.imag())) + "h0";
    table.columns[0].cells.emplace_back(static_cast<double>(z.real()));
    table.columns[1].cells.emplace_back(static_cast<double>(z.imag()));
  }
  const std::string body =
      svg::grid(frame, x, y, one_of_many ? "" : "in phase", one_of_many ? "" : "quadrature") +
      "<path class=\"cloud s0\" d=\"" + dots + "\"/>\n";
  const std::string corners = " data-corners=\"" +
                              join_places({frame.left, frame.top, frame.x_end(), frame.y_end()}) +
                              "\" data-most=\"" + exact_decimal(x.end()) + "\"";
  return svg::figure(
      {name, svg::picture(frame, corners + " role=\"img\" aria-label=\"" + html_text(name) + "\"", body), "",
       one_of_many ? "stage" : "small", table});
}

}  // namespace cohlink
