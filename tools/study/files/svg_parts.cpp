#include "tools/study/files/svg_parts.h"

#include <algorithm>
#include <cmath>
#include <limits>
#include <sstream>

#include "rx/quality/metrics.h"
#include "sim/signal/scenario/printable.h"
#include "tools/study/plan/numbers.h"

namespace cohlink {

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

namespace svg {
namespace {

// 1, 2 or 5 times a power of ten, at least `step`.
double round_step(double step) {
  const double power = std::pow(10.0, std::floor(std::log10(step)));
  for (const double factor : {1.0, 2.0, 5.0})
    if (factor * power >= step * (1.0 - 1e-9)) return factor * power;
  return 10.0 * power;
}

}  // namespace

std::string place(double value, int digits) { return fixed(value, digits); }

Scale::Scale(double low, double high, double from, double to, Spacing spacing)
    : from_(from), to_(to), spacing_(spacing) {
  double a = coordinate(low), b = coordinate(high);
  if (a > b) std::swap(a, b);  // Q falls as errors rise
  if (spacing_ == Spacing::kLog) {
    low_ = std::floor(a + 1e-9), high_ = std::ceil(b - 1e-9);
    if (high_ <= low_) high_ = low_ + 1.0;
    return;
  }
  if (!(b > a)) a -= 0.5, b += 0.5;
  step_ = round_step((b - a) / 6.0);
  low_ = std::floor(a / step_ + 1e-9) * step_, high_ = std::ceil(b / step_ - 1e-9) * step_;
}

bool Scale::drawable(double value, Spacing spacing) {
  if (!std::isfinite(value)) return false;
  return spacing == Spacing::kLinear || (value > 0.0 && (spacing == Spacing::kLog || value < 0.5));
}

double Scale::coordinate(double value) const {
  if (spacing_ == Spacing::kLog) return std::log10(std::max(value, 1e-300));
  if (spacing_ == Spacing::kQ) return value > 0.0 ? q_from_ber_db(std::min(value, 0.4999)) : 1e3;
  return value;
}

double Scale::at_coordinate(double v) const {
  return from_ + std::clamp((v - low_) / (high_ - low_), -0.02, 1.02) * (to_ - from_);
}

std::vector<Scale::Mark> Scale::decades() const {
  std::vector<Mark> marks;
  const double stride = std::ceil((high_ - low_) / 10.0);  // lines of a dozen decades would be a grey field
  for (double decade = low_; decade <= high_ + 0.5; decade += stride) {
    marks.push_back({at_coordinate(decade),
                     "10<tspan dy=\"-0.4em\" font-size=\"82%\">" + readable(decade, 4) + "</tspan>"});
    for (int i = 2; i < 10 && stride == 1.0 && decade < high_ - 0.5; ++i)
      marks.push_back({at_coordinate(decade + std::log10(i)), ""});
  }
  return marks;
}

std::vector<Scale::Mark> Scale::even() const {
  std::vector<Mark> marks;
  // Counted, not added up: beside huge values a step may be less than the last digit.
  const double count = std::round((high_ - low_) / step_);
  for (int i = 0; i <= std::min(count, 20.0); ++i) {
    const double v = low_ + i * step_;
    marks.push_back({at_coordinate(v), readable(std::abs(v) < 1e-9 * step_ ? 0.0 : v, 6)});
  }
  return marks;
}

std::vector<Scale::Mark> Scale::marks() const { return spacing_ == Spacing::kLog ? decades() : even(); }

Range::Range() : low(std::numeric_limits<double>::infinity()), high(-low) {}

void Range::take(double value) {
  if (!std::isfinite(value)) return;
  low = std::min(low, value), high = std::max(high, value);
}

std::string line(double x1, double y1, double x2, double y2, const std::string& kind) {
  return "<line x1=\"" + place(x1, 2) + "\" y1=\"" + place(y1, 2) + "\" x2=\"" + place(x2, 2) + "\" y2=\"" +
         place(y2, 2) + "\" class=\"" + kind + "\"/>\n";
}

std::string text(double x, double y, const std::string& anchor, const std::string& content,
                 const std::string& more) {
  return "<text x=\"" + place(x) + "\" y=\"" + place(y) + "\" text-anchor=\"" + anchor + "\"" + more + ">" +
         content + "</text>\n";
}

std::string grid(const Frame& f, const Scale& x, const Scale& y, const std::string& x_label,
                 const std::string& y_label) {
  std::string out = "<g class=\"marks\">\n";
  int count = 0;  // every second number goes where there is half the room
  for (const auto& mark : x.marks()) {
    out += line(mark.at, f.top, mark.at, f.y_end(), mark.label.empty() ? "minor" : "grid");
    if (!mark.label.empty())
      out += text(mark.at, f.y_end(), "middle", mark.label,
                  std::string(" dy=\"1.35em\"") + (count++ % 2 == 1 ? " class=\"alternate\"" : ""));
  }
  for (const auto& mark : y.marks()) {
    out += line(f.left, mark.at, f.x_end(), mark.at, mark.label.empty() ? "minor" : "grid");
    if (!mark.label.empty()) out += text(f.left - 8, mark.at, "end", mark.label, " dy=\"0.35em\"");
  }
  const double middle = 0.5 * (f.top + f.y_end());
  out += "</g>\n" +
         text(0.5 * (f.left + f.x_end()), f.height - 8, "middle", html_text(x_label), " class=\"name\"");
  return out + text(18, middle, "middle", html_text(y_label),
                    " class=\"name\" transform=\"rotate(-90 18 " + place(middle) + ")\"");
}

std::string box(const Rectangle& at, const std::string& kind, const std::string& reading) {
  return "<rect x=\"" + place(at.x) + "\" y=\"" + place(at.y) + "\" width=\"" + place(at.width) +
         "\" height=\"" + place(at.height) + "\" class=\"" + kind + "\">" +
         (reading.empty() ? "" : "<title>" + html_text(reading) + "</title>") + "</rect>\n";
}

std::string picture(const Frame& f, const std::string& attributes, const std::string& body) {
  return "<svg viewBox=\"0 0 " + place(f.width) + " " + place(f.height) + "\"" + attributes + ">\n" + body +
         "</svg>\n";
}

std::string csv_attribute(const Table& table) {
  std::ostringstream csv;
  print(csv, table, Format::kCsv);
  return html_text(csv.str());
}

std::string figure(const Figure& f) {
  return "<figure" + (f.kind.empty() ? "" : " class=\"" + f.kind + "\"") + " data-csv=\"" +
         csv_attribute(f.numbers) + "\">\n<div class=\"plot\" role=\"group\" aria-label=\"" +
         html_text(f.title) + "\">\n" + f.pictures + "</div>\n" + f.legend + "<figcaption>" +
         html_text(f.title) + "</figcaption>\n</figure>\n";
}

}  // namespace svg
}  // namespace cohlink
