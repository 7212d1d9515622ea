#include "sim/budget/dispersion_map.h"

#include <algorithm>
#include <boost/math/quadrature/gauss.hpp>
#include <cmath>
#include <stdexcept>

namespace cohlink {
namespace {

template <unsigned kPoints>
std::vector<StretchPoint> unit_points() {
  using Rule = boost::math::quadrature::gauss<double, kPoints>;
  std::vector<StretchPoint> points;
  for (std::size_t i = 0; i < Rule::abscissa().size(); ++i)
    for (const double side : {-1.0, 1.0})
      points.push_back({0.5 + 0.5 * side * Rule::abscissa()[i], 0.5 * Rule::weights()[i]});
  return points;
}

const std::vector<StretchPoint>& unit_rule(int points) {
  static const auto two = unit_points<2>(), four = unit_points<4>(), eight = unit_points<8>(),
                    sixteen = unit_points<16>();
  switch (points) {
    case 2:
      return two;
    case 4:
      return four;
    case 8:
      return eight;
    case 16:
      return sixteen;
    default:
      throw std::invalid_argument("no such rule");
  }
}

}  // namespace

double Stretch::effective() const {
  return std::abs(loss * length) < 1e-9 ? length : -std::expm1(-loss * length) / loss;
}

std::vector<Stretch> dispersion_map(const GnLine& line) {
  std::vector<Stretch> map;
  double before = 0.0;
  for (const GnSection& s : line) {
    map.push_back({before, s.beta2, s.length, s.loss, s.gamma * s.relative_power});
    before = map.back().after() + s.module_beta2_length;
  }
  return map;
}

std::vector<Stretch> cut_near_zero(const Stretch& s, double least, double ratio) {
  const double turn = std::abs(s.turn());
  const bool crosses = s.before * s.after() <= 0.0;
  if (turn <= least || (!crosses && std::min(std::abs(s.before), std::abs(s.after())) >= turn)) return {s};
  std::vector<double> edges = {0.0, s.length};
  const auto cut = [&](double dispersion) {
    const double z = (dispersion - s.before) / s.beta2;
    if (z > 0.0 && z < s.length) edges.push_back(z);
  };
  cut(0.0);
  for (double b = least; b < 2.0 * turn; b *= ratio) cut(b), cut(-b);
  std::sort(edges.begin(), edges.end());
  std::vector<Stretch> parts;
  for (std::size_t i = 1; i < edges.size(); ++i)
    parts.push_back({s.at(edges[i - 1]), s.beta2, edges[i] - edges[i - 1], s.loss,
                     s.strength * std::exp(-s.loss * edges[i - 1])});
  return parts;
}

std::vector<StretchPoint> stretch_points(const Stretch& s, int points) {
  const double all = s.effective(), lost = -s.loss * s.length;
  std::vector<StretchPoint> out;
  for (const StretchPoint& unit : unit_rule(points)) {
    // exp(-a z) = 1 - share (1 - exp(-a L))
    const double z =
        std::abs(lost) < 1e-6 ? unit.z * s.length : -std::log1p(unit.z * std::expm1(lost)) / s.loss;
    out.push_back({z, unit.weight * all});
  }
  return out;
}

}  // namespace cohlink
