// Decisions for inner loops, chosen once by what the constellation is.
#pragma once

#include <array>
#include <cmath>
#include <complex>
#include <span>
#include <utility>

#include "sim/signal/constellation.h"

namespace cohlink {

/// Decides the two axes of a constellation apart: kLevels levels above zero, as many below.
template <std::size_t kLevels>
class AxisDecision {
 public:
  explicit AxisDecision(const AxisLevels& axis) {
    for (std::size_t i = 0; i < kLevels; ++i) level_[i] = static_cast<float>(axis.positive[i]);
    for (std::size_t i = 0; i + 1 < kLevels; ++i)
      border_[i] = static_cast<float>(0.5 * (axis.positive[i] + axis.positive[i + 1]));
  }
  std::complex<float> operator()(std::complex<float> z) const {
    const auto [re, im] = nearest(z.real(), z.imag());
    return {re, im};
  }
  template <class T>
  std::pair<T, T> nearest(const T& re, const T& im) const {
    return {of(re), of(im)};
  }

 private:
  template <class T>
  T of(const T& u) const {
    using std::copysign, std::fabs;
    const T size = fabs(u);
    T level = level_[0];
    for (std::size_t i = 0; i + 1 < kLevels; ++i) level = size > border_[i] ? T(level_[i + 1]) : level;
    return copysign(level, u);
  }
  std::array<float, kLevels> level_{}, border_{};
};

/// Decides among all points.
class PointDecision {
 public:
  explicit PointDecision(const Constellation& c) : points_(c.single()) {}
  std::complex<float> operator()(std::complex<float> z) const {
    const auto [re, im] = nearest(z.real(), z.imag());
    return {re, im};
  }
  template <class T>
  std::pair<T, T> nearest(const T& re, const T& im) const {
    std::complex<float> best = points_.front();
    T least = distance(re, im, best);
    for (const auto& point : points_.subspan(1)) {
      const T here = distance(re, im, point);
      if (here < least) least = here, best = point;
    }
    return {best.real(), best.imag()};
  }

 private:
  template <class T>
  static T distance(const T& re, const T& im, std::complex<float> point) {
    const T a = re - T(point.real()), b = im - T(point.imag());
    return a * a + b * b;
  }
  std::span<const std::complex<float>> points_;
};

/// Calls `use` with the constellation's decision, complex<float> to complex<float>, as fast as its points
/// allow.
template <class Use>
auto with_decision(const Constellation& c, const Use& use) {
  switch (c.axis().positive.size()) {
    case 1:
      return use(AxisDecision<1>(c.axis()));
    case 2:
      return use(AxisDecision<2>(c.axis()));
    case 4:
      return use(AxisDecision<4>(c.axis()));
    default:
      return use(PointDecision(c));
  }
}

/// Squared radius of the ring nearest to one of squared radius `power`, told apart half way between the
/// radii.
inline float nearest_ring(float power, const Constellation& c) {
  for (const Ring& ring : c.rings())
    if (power < static_cast<float>(ring.border)) return static_cast<float>(ring.power);
  return static_cast<float>(c.rings().back().power);
}

}  // namespace cohlink
