#include "sim/budget/gn_integral.h"

#include <algorithm>
#include <cmath>

namespace cohlink {
namespace {

constexpr double kPrefactor = 16.0 / 27.0;
constexpr double kSameGap = 1e-28;  // s^2: no light turns noticeably over less

/// The dispersions between any place of one stretch and any of another.
struct Reach {
  double low, high;
  double width() const { return high - low; }
  /// Least distance from 0.
  double nearest() const { return low > 0.0 ? low : high < 0.0 ? -high : 0.0; }
  double farthest() const { return std::max(std::abs(low), std::abs(high)); }
};

Reach reach_of(const Stretch& a, const Stretch& b) {
  const double gap = a.before - b.before;
  return {gap + std::min(0.0, a.turn()) - std::max(0.0, b.turn()),
          gap + std::max(0.0, a.turn()) - std::min(0.0, b.turn())};
}

/// (exp(c x) integrated over x from 0 to `width`).
double exponential_integral(double c, double width) {
  return std::abs(c * width) < 1e-9 ? width : std::expm1(c * width) / c;
}

/// How much of the double integral of both strengths lies at dispersion `d` between the places, per s^2.
class GapDensity {
 public:
  /// The second of them has to be the one that turns more, and has to turn.
  GapDensity(const Stretch& a, const Stretch& b) : a_(a), b_(b), gap_(a.before - b.before) {}

  double operator()(double d) const {
    // z_b = (gap + beta_a z_a - d) / beta_b has to lie on b.
    const double slope = a_.beta2 / b_.beta2, offset = (gap_ - d) / b_.beta2;
    double from = 0.0, to = a_.length;
    if (slope != 0.0) {
      const double x = -offset / slope, y = (b_.length - offset) / slope;
      from = std::max(from, std::min(x, y));
      to = std::min(to, std::max(x, y));
    } else if (offset < 0.0 || offset > b_.length) {
      return 0.0;
    }
    if (to <= from) return 0.0;
    const double rate = -(a_.loss + b_.loss * slope);
    return std::exp(rate * from - b_.loss * offset) * exponential_integral(rate, to - from) /
           std::abs(b_.beta2);
  }

 private:
  Stretch a_, b_;
  double gap_;
};

GnReadings& add(GnReadings& sum, double weight, const GnReadings& value) {
  sum.centre += weight * value.centre;
  sum.matched += weight * value.matched;
  return sum;
}

/// Places that come near each other in dispersion: R is steep there, and its own nodes are followed.
GnReadings near_pair(const Stretch& a, const Stretch& b, const MixingCorrelation& r) {
  const Reach reach = reach_of(a, b);
  const GapDensity density = std::abs(a.turn()) <= std::abs(b.turn()) ? GapDensity(a, b) : GapDensity(b, a);
  // R and the sum are even: with a and b exchanged the gap changes sign.
  const auto both = [&](double d) { return density(d) + density(-d); };
  GnReadings sum;
  const double first = r.dispersion(0), step = std::log(2.0) / r.per_octave();
  add(sum, first * both(0.5 * first), r.at_zero());
  for (std::size_t i = 0; i < r.nodes() && r.dispersion(i) <= reach.farthest(); ++i)
    add(sum, (i == 0 ? 0.5 : 1.0) * step * r.dispersion(i) * both(r.dispersion(i)), r.at_node(i));
  return sum;
}

/// Places far from each other in dispersion: R is smooth over both.
GnReadings far_pair(const Stretch& a, const Stretch& b, const MixingCorrelation& r) {
  const Reach reach = reach_of(a, b);
  const int points = reach.nearest() > 6.0 * reach.width() ? 2 : 4;
  const auto of_a = stretch_points(a, points), of_b = stretch_points(b, points);
  GnReadings sum;
  for (const StretchPoint& p : of_a)
    for (const StretchPoint& q : of_b) add(sum, p.weight * q.weight, r(a.at(p.z) - b.at(q.z)));
  return sum;
}

}  // namespace

std::size_t GnIntegral::kind_of(const Stretch& s) {
  return kinds_.try_emplace(Kind(s.beta2, s.length, s.loss), kinds_.size()).first->second;
}

GnReadings GnIntegral::of_pair(const Stretch& a, const Stretch& b) {
  const Reach reach = reach_of(a, b);
  if (reach.farthest() <= correlation_.dispersion(0)) {
    GnReadings sum;
    return add(sum, a.effective() * b.effective(), correlation_.at_zero());
  }
  return reach.nearest() < reach.width() ? near_pair(a, b, correlation_) : far_pair(a, b, correlation_);
}

std::vector<GnReadings> GnIntegral::after_each_span(const GnLine& line) {
  const std::vector<Stretch> map = dispersion_map(line);
  double low = 0.0, high = 0.0;
  for (const Stretch& s : map) {
    low = std::min({low, s.before, s.after()});
    high = std::max({high, s.before, s.after()});
  }
  correlation_.cover(high - low);
  std::vector<std::size_t> kinds;
  std::vector<GnReadings> eta;
  GnReadings sum;
  for (std::size_t k = 0; k < map.size(); ++k) {
    kinds.push_back(kind_of(map[k]));
    for (std::size_t j = 0; j <= k; ++j) {
      const Pair pair(kinds[k], kinds[j], std::llround((map[k].before - map[j].before) / kSameGap));
      auto found = pairs_.find(pair);
      if (found == pairs_.end()) found = pairs_.emplace(pair, of_pair(map[k], map[j])).first;
      add(sum, kPrefactor * (j == k ? 1.0 : 2.0) * map[k].strength * map[j].strength, found->second);
    }
    eta.push_back(sum);
  }
  return eta;
}

GnReadings GnIntegral::operator()(const GnLine& line) {
  return line.empty() ? GnReadings{} : after_each_span(line).back();
}

}  // namespace cohlink
