// Squared distance to the nearest point, for whole vectors of symbols at once; chosen by what the
// constellation is.
#pragma once

#include <cstddef>
#include <vector>

#include "rx/rows/vectors.h"
#include "sim/signal/constellation.h"

namespace cohlink {

/// What the distances below are made from.
struct DistanceShape {
  explicit DistanceShape(const Constellation& c) {
    if (c.axis().count() > 0)
      for (std::size_t levels = c.axis().count(); levels > 1; levels /= 2)
        folds.push_back(static_cast<float>(0.25 * c.axis().spacing * static_cast<double>(levels)));
    for (const auto& point : c) {
      re.push_back(static_cast<float>(point.real()));
      im.push_back(static_cast<float>(point.imag()));
    }
  }
  std::vector<float> folds;   // places at which an axis of equal levels is folded in half, until one is left
  std::vector<float> re, im;  // the points
};

/// Axes with 2^kFolds levels each: |u| less half of the outermost levels' distance folds the levels onto half
/// as many, until the distance to the only one is left.
template <std::size_t kFolds>
struct FoldDistance {
  explicit FoldDistance(const DistanceShape& shape) {
    for (std::size_t i = 0; i < kFolds; ++i) fold[i] = shape.folds[i];
  }
  template <class V>
  COHLINK_VECTOR_INLINE V axis(const V& u) const {
    using vectors::magnitude;
    V d = magnitude(u) - fold[0];
    for (std::size_t i = 1; i < kFolds; ++i) d = magnitude(d) - fold[i];
    return d * d;
  }
  template <class V>
  COHLINK_VECTOR_INLINE V operator()(const V& re, const V& im) const {
    return axis(re) + axis(im);
  }
  float fold[kFolds];
};

/// Any points: the least of the distances.
struct PointDistance {
  explicit PointDistance(const DistanceShape& shape)
      : re(shape.re.data()), im(shape.im.data()), count(shape.re.size()) {}
  template <class V>
  COHLINK_VECTOR_INLINE V to(const V& x, const V& y, std::size_t i) const {
    const V a = x - re[i], b = y - im[i];
    return a * a + b * b;
  }
  template <class V>
  COHLINK_VECTOR_INLINE V operator()(const V& x, const V& y) const {
    using vectors::lesser;
    V least = to(x, y, 0);
    for (std::size_t i = 1; i < count; ++i) least = lesser(to(x, y, i), least);
    return least;
  }
  const float *re, *im;
  std::size_t count;
};

/// Of a symbol turned back by the phase with that cosine and sine; V a vector of phases.
template <class Distance, class S, class V>
COHLINK_VECTOR_INLINE V turned_distance(const Distance& distance, const S& re, const S& im, const V& cos,
                                        const V& sin) {
  return distance(re * cos + im * sin, im * cos - re * sin);
}

}  // namespace cohlink
