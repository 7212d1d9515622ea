#include "tools/study/files/svg.h"

#include <algorithm>
#include <cmath>
#include <limits>

#include "sim/signal/scenario/printable.h"
#include "tools/study/plan/numbers.h"

namespace cohlink {
namespace {

constexpr double kWidth = 640, kHeight = 400, kLeft = 78, kRight = 16, kTop = 16, kBottom = 52;

std::string number(double value) { return fixed(value, 1); }

/// One axis: values to places on the page, and where its marks stand.
class Scale {
 public:
  Scale(double low, double high, double from, double to, bool logarithmic)
      : from_(from), to_(to), log_(logarithmic) {
    if (log_) {
      low_ = std::floor(std::log10(low) + 1e-9), high_ = std::ceil(std::log10(high) - 1e-9);
      if (high_ <= low_) high_ = low_ + 1.0;
      for (double decade = low_; decade <= high_ + 0.5; ++decade) marks_.push_back(std::pow(10.0, decade));
      return;
    }
    if (!(high > low)) low -= 0.5, high += 0.5;
    const double step = round_step((high - low) / 6.0);
    low_ = std::floor(low / step + 1e-9) * step, high_ = std::ceil(high / step - 1e-9) * step;
    for (double mark = low_; mark <= high_ + 0.5 * step; mark += step)
      marks_.push_back(std::abs(mark) < 1e-9 * step ? 0.0 : mark);
  }
  double place(double value) const {
    const double v = log_ ? std::log10(std::max(value, 1e-300)) : value;
    return from_ + std::clamp((v - low_) / (high_ - low_), -0.02, 1.02) * (to_ - from_);
  }
  const std::vector<double>& marks() const { return marks_; }
  std::string label(double mark) const {
    if (!log_) return readable(mark, 6);
    return "10<tspan dy=\"-5\" font-size=\"10\">" + readable(std::round(std::log10(mark)), 4) + "</tspan>";
  }

 private:
  // 1, 2 or 5 times a power of ten, at least `step`.
  static double round_step(double step) {
    const double power = std::pow(10.0, std::floor(std::log10(step)));
    for (const double factor : {1.0, 2.0, 5.0})
      if (factor * power >= step * (1.0 - 1e-9)) return factor * power;
    return 10.0 * power;
  }
  double from_, to_, low_ = 0, high_ = 1;
  bool log_;
  std::vector<double> marks_;
};

struct Range {
  double low = std::numeric_limits<double>::infinity(), high = -low;
  void take(double value) {
    if (!std::isfinite(value)) return;
    low = std::min(low, value), high = std::max(high, value);
  }
  bool empty() const { return low > high; }
};

bool drawable(double y, bool log_y) { return std::isfinite(y) && (!log_y || y > 0.0); }

std::string line(double x1, double y1, double x2, double y2, const std::string& kind) {
  return "<line x1=\"" + number(x1) + "\" y1=\"" + number(y1) + "\" x2=\"" + number(x2) + "\" y2=\"" +
         number(y2) + "\" class=\"" + kind + "\"/>\n";
}

std::string text(double x, double y, const std::string& anchor, const std::string& content,
                 const std::string& more = "") {
  return "<text x=\"" + number(x) + "\" y=\"" + number(y) + "\" text-anchor=\"" + anchor + "\"" + more + ">" +
         content + "</text>\n";
}

std::string grid(const Plot& plot, const Scale& x, const Scale& y, double width, double height) {
  std::string out;
  for (const double mark : x.marks()) {
    out += line(x.place(mark), kTop, x.place(mark), height - kBottom, "grid");
    out += text(x.place(mark), height - kBottom + 18, "middle", x.label(mark));
  }
  for (const double mark : y.marks()) {
    out += line(kLeft, y.place(mark), width - kRight, y.place(mark), "grid");
    out += text(kLeft - 8, y.place(mark) + 4, "end", y.label(mark));
  }
  const std::string turned = " transform=\"rotate(-90 16 " + number(0.5 * height) + ")\"";
  out += text(0.5 * (kLeft + width - kRight), height - 10, "middle", html_text(plot.x_label));
  return out + text(16, 0.5 * height, "middle", html_text(plot.y_label), turned);
}

std::string draw_series(const Plot& plot, const PlotSeries& series, std::size_t colour, const Scale& x,
                        const Scale& y) {
  const std::string kind = "s" + std::to_string(colour % 6);
  std::string path, marks;
  bool pen_up = true;
  for (const PlotPoint& p : series.points) {
    if (!drawable(p.y, plot.log_y) || !std::isfinite(p.x)) {
      // Nothing counted: the upper end of the interval alone, as an arrow from above.
      if (drawable(p.high, plot.log_y) && std::isfinite(p.x) && !series.dashed)
        marks += text(x.place(p.x), y.place(p.high) + 10, "middle", "&#8595;", " class=\"" + kind + "t\"");
      pen_up = true;
      continue;
    }
    path += (pen_up ? "M" : "L") + number(x.place(p.x)) + " " + number(y.place(p.y));
    pen_up = false;
    if (series.dashed) continue;
    if (std::isfinite(p.high) && (std::isfinite(p.low)))
      marks += line(x.place(p.x), y.place(p.low), x.place(p.x), y.place(p.high), "bar " + kind);
    marks += "<circle cx=\"" + number(x.place(p.x)) + "\" cy=\"" + number(y.place(p.y)) + "\" r=\"" +
             (plot.square ? "1.2" : "3") + "\" class=\"dot " + kind + "\"/>\n";
  }
  if (path.empty() || series.dots_only || plot.square) return marks;
  return "<path d=\"" + path + "\" class=\"line " + kind + (series.dashed ? " dashed" : "") + "\"/>\n" +
         marks;
}

std::string legend(const Plot& plot) {
  if (plot.series.size() < 2 && (plot.series.empty() || plot.series.front().name.empty())) return "";
  std::string out = "<ul class=\"legend\">";
  for (std::size_t i = 0; i < plot.series.size(); ++i)
    out += "<li><span class=\"key s" + std::to_string(i % 6) + (plot.series[i].dashed ? " dashed" : "") +
           "\"></span>" + html_text(plot.series[i].name) + "</li>";
  return out + "</ul>\n";
}

}  // namespace

std::string html_text(const std::string& text) {
  std::string out;
  // What no page may hold is shown as the replacement character.
  for (const char c :
       without_controls(text, [](unsigned number) { return number == '\n' ? "\n" : "\uFFFD"; })) {
    switch (c) {
      case '&':
        out += "&amp;";
        break;
      case '<':
        out += "&lt;";
        break;
      case '>':
        out += "&gt;";
        break;
      case '"':
        out += "&quot;";
        break;
      default:
        out += c;
    }
  }
  return out;
}

std::string svg_figure(const Plot& plot) {
  Range xs, ys;
  for (const PlotSeries& series : plot.series)
    for (const PlotPoint& p : series.points) {
      xs.take(p.x);
      for (const double y : {p.y, p.low, p.high})
        if (drawable(y, plot.log_y)) ys.take(y);
    }
  if (xs.empty() || ys.empty()) return "";
  for (const auto& [level, word] : plot.levels) ys.take(level);
  if (plot.log_y) ys.low = std::max(ys.low, 1e-9 * ys.high);
  if (plot.square) {
    xs.low = ys.low = std::min(xs.low, ys.low);
    xs.high = ys.high = std::max(xs.high, ys.high);
  }
  const double width = plot.square ? 360 : kWidth, height = plot.square ? 326 : kHeight;
  const Scale x(xs.low, xs.high, kLeft, width - kRight, false);
  const Scale y(ys.low, ys.high, height - kBottom, kTop, plot.log_y);
  std::string body = grid(plot, x, y, width, height);
  for (const auto& [level, word] : plot.levels) {
    body += line(kLeft, y.place(level), width - kRight, y.place(level), "level");
    body += text(width - kRight - 4, y.place(level) - 5, "end", html_text(word), " class=\"levelword\"");
  }
  for (std::size_t i = 0; i < plot.series.size(); ++i) body += draw_series(plot, plot.series[i], i, x, y);
  return "<figure" + std::string(plot.square ? " class=\"small\"" : "") + ">\n<svg viewBox=\"0 0 " +
         number(width) + " " + number(height) + "\" role=\"img\" aria-label=\"" + html_text(plot.title) +
         "\">\n" + body + "</svg>\n" + legend(plot) + "<figcaption>" + html_text(plot.title) +
         "</figcaption>\n</figure>\n";
}

}  // namespace cohlink
