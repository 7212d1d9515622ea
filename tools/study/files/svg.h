// Pictures as inline SVG, drawn for reading on a screen and on paper without any program: axes that end on
// round numbers, bars for intervals, a reading at every point. Each carries its numbers as CSV.
#pragma once

#include <complex>
#include <limits>
#include <string>
#include <vector>

#include "tools/study/files/words.h"

namespace cohlink {

/// How an axis spaces its values. Q is that of a bit error ratio, 20 log10(sqrt(2) erfcinv(2 BER)) dB.
enum class Spacing { kLinear, kLog, kQ };

struct PlotPoint {
  double x = 0, y = 0;
  double low = std::numeric_limits<double>::quiet_NaN(), high = low;  // 95 %; NaN: none
  double theory = low;
  std::string note = {};  // more to read at the point: a verdict
};

inline constexpr std::size_t kOwnLook = static_cast<std::size_t>(-1);

struct PlotSeries {
  std::string name;
  std::vector<PlotPoint> points;  // NaN in y: a gap
  bool dashed = false;            // theory
  bool dots_only = false;         // no line between points
  std::size_t look = kOwnLook;    // which colour and shape; kOwnLook: those of its place in the plot
};

struct Plot {
  std::string title;
  Quantity x, y;
  std::vector<Spacing> spacings = {Spacing::kLinear};  // of y, one picture each; the first is shown
  std::vector<PlotSeries> series = {};
  std::vector<std::pair<double, std::string>> levels = {};  // horizontal lines with a word: a threshold
};

/// A <figure> with the plot; "" when there is nothing to draw. x is logarithmic where its values are spread
/// so.
std::string svg_figure(const Plot& plot);

/// Symbols in the complex plane, to `most` in each direction, with `name` as title. One of many is small and
/// does not name its axes.
std::string svg_cloud(const std::string& name, const std::vector<std::complex<float>>& points, double most,
                      bool one_of_many);
/// The largest part of any of the points.
double extent_of(const std::vector<std::complex<float>>& points);

/// One horizontal bar a row, from `from` to `to`, with its interval and a word behind it.
struct Bars {
  std::string title;
  Quantity value;
  bool logarithmic = false;
  struct Row {
    std::string name;
    double from = 0, to = 0;
    double low = std::numeric_limits<double>::quiet_NaN(), high = low;
    std::string word, kind = "s0";  // CSS class: pass, fail, undecided, or a series' colour
  };
  std::vector<Row> rows = {};                               // NaN in `to`: the word alone
  std::vector<std::pair<double, std::string>> levels = {};  // vertical lines
};
std::string svg_bars(const Bars& bars);

/// How often values fall into bins of equal width.
std::string svg_histogram(const std::string& title, const Quantity& value, const std::vector<double>& values,
                          const std::string& counted);

/// Values over two keys: rows[i][j] at y[i], x[j]. Where `pass` is given, a thick line parts what passes from
/// what does not.
struct HeatMap {
  std::string title, x_label, y_label;
  Quantity value;
  Spacing spacing = Spacing::kLinear;  // of the shades
  std::vector<std::string> x, y = {};
  std::vector<std::vector<double>> rows = {};
  std::vector<std::vector<std::string>> verdicts = {};  // as rows; empty: none were passed
};
std::string svg_heat_map(const HeatMap& map);

/// Text for HTML: & < > and quotes escaped.
std::string html_text(const std::string& text);

}  // namespace cohlink
