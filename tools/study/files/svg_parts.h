// What the pictures of a page share: scales, lines and texts of SVG, and the figure around them.
#pragma once

#include <string>
#include <vector>

#include "tools/study/files/svg.h"
#include "tools/study/files/table.h"

namespace cohlink::svg {

/// The drawing area, and the room around it for words that are twice as large on a phone.
struct Frame {
  double width = 640, height = 400, left = 84, right = 16, top = 16, bottom = 60;
  double x_end() const { return width - right; }
  double y_end() const { return height - bottom; }
};

/// A place on the page, to a tenth of a unit or more exactly.
std::string place(double value, int digits = 1);

/// One axis: values to places on the page, and where its marks stand.
class Scale {
 public:
  /// The values from `low` to `high` between the places `from` and `to`; `low` must be drawable.
  Scale(double low, double high, double from, double to, Spacing spacing);
  double at(double value) const { return at_coordinate(coordinate(value)); }
  /// The coordinates at its ends: of a linear scale values, of others their logarithms or Q.
  double begin() const { return low_; }
  double end() const { return high_; }
  /// Whether a value has a place: none below zero on a logarithm, none at or above 1/2 as a Q.
  static bool drawable(double value, Spacing spacing);
  struct Mark {
    double at;          // on the page
    std::string label;  // "" for a minor line
  };
  std::vector<Mark> marks() const;

 private:
  double coordinate(double value) const;
  double at_coordinate(double v) const;
  std::vector<Mark> decades() const;
  std::vector<Mark> even() const;
  double from_, to_, low_ = 0, high_ = 1, step_ = 1;
  Spacing spacing_;
};

struct Range {
  double low, high;
  Range();
  void take(double value);  // NaN and infinity are passed over
  bool empty() const { return low > high; }
};

struct Rectangle {
  double x, y, width, height;  // of the upper left corner; in the picture's units
};

std::string line(double x1, double y1, double x2, double y2, const std::string& kind);
/// `content` is markup already.
std::string text(double x, double y, const std::string& anchor, const std::string& content,
                 const std::string& more = "");
/// Marks and lines (a group of class "marks") and names of both axes.
std::string grid(const Frame& frame, const Scale& x, const Scale& y, const std::string& x_label,
                 const std::string& y_label);
/// "<rect .../>" with a reading.
std::string box(const Rectangle& at, const std::string& kind, const std::string& reading);

/// <svg> of this size.
std::string picture(const Frame& frame, const std::string& attributes, const std::string& body);

/// All digits of a table as CSV, for an attribute of HTML.
std::string csv_attribute(const Table& table);

/// What stands in a figure: pictures of one thing, of which the first is shown, a key to its lines, a title,
/// and the numbers behind it.
struct Figure {
  std::string title, pictures, legend, kind;
  Table numbers;
};
std::string figure(const Figure& figure);

}  // namespace cohlink::svg
