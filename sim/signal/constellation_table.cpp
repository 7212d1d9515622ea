// The formats: one row each.
#include <cmath>

#include "sim/signal/constellation.h"

namespace cohlink {
namespace {

using Points = std::vector<std::complex<double>>;

// Every pair of levels; the first half of the bits names that of I, the second that of Q.
Points square(const std::vector<double>& levels) {
  Points points;
  for (const double i : levels)
    for (const double q : levels) points.emplace_back(i, q);
  return points;
}

// The same with as many of a fourth of the points beside each other as there are `rings`: Gray quadrant in
// the first two bits, ring in the others, `angles` each ring's first point in quarter turns.
Points rings_of_four(const std::vector<double>& radii, const std::vector<double>& angles) {
  constexpr unsigned kTurns[4] = {0, 1, 3, 2};  // of Gray labels 00 01 10 11
  Points points;
  for (const unsigned turns : kTurns)
    for (std::size_t r = 0; r < radii.size(); ++r)
      points.push_back(std::polar(radii[r], 0.5 * std::acos(-1.0) * (turns + angles[r])));
  return points;
}

}  // namespace

const std::vector<Constellation>& constellations() {
  static const std::vector<Constellation> table = {
      {"qpsk", square({1, -1})},
      {"16qam", square({3, 1, -3, -1})},  // Gray: 00 01 11 10 -> +3 +1 -1 -3
      {"gaussian", {}},
      // Outer ring on the diagonals, inner on the axes, all nearest neighbours equally far: the largest
      // minimum distance of two rings of four. Common practice ("star" or "circular" 8QAM); from memory.
      {"8qam", rings_of_four({(1 + std::sqrt(3.0)) / std::sqrt(2.0), 1}, {0.5, 0})},
      {"64qam", square({7, 5, 1, 3, -7, -5, -1, -3})},  // Gray: 000 001 011 010 110 111 101 100 -> +7 ... -7
  };
  return table;
}

}  // namespace cohlink
