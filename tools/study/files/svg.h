// Curves as inline SVG, drawn for reading on a screen: axes that end on round numbers, bars for intervals.
#pragma once

#include <string>
#include <vector>

namespace cohlink {

struct PlotPoint {
  double x = 0, y = 0;
  double low = 0, high = 0;  // 95 %; NaN: none
};

struct PlotSeries {
  std::string name;
  std::vector<PlotPoint> points;  // NaN in y: a gap
  bool dashed = false;            // theory
  bool dots_only = false;         // no line between points
};

struct Plot {
  std::string title, x_label, y_label;
  bool log_y = false;
  std::vector<PlotSeries> series;
  std::vector<std::pair<double, std::string>> levels;  // horizontal lines with a word: a threshold
  bool square = false;                                 // the same scale in x and y, no lines: constellations
};

/// A <figure> with the plot; "" when there is nothing to draw.
std::string svg_figure(const Plot& plot);

/// Text for HTML: & < > and quotes escaped.
std::string html_text(const std::string& text);

}  // namespace cohlink
