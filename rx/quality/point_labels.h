// Labels of the points nearest to whole vectors of symbols, chosen by what the constellation is.
#pragma once

#include <algorithm>
#include <cmath>
#include <complex>
#include <cstddef>
#include <span>
#include <vector>

#include "rx/rows/vectors.h"
#include "sim/signal/constellation.h"

namespace cohlink {

/// One axis of a square constellation: real and imaginary parts are values alike, with labels of kBits bits.
template <std::size_t kBits>
struct AxisPoints {
  using Part = float;
  using Value = vectors::Floats;
  static constexpr std::size_t bits = kBits, count = std::size_t{1} << kBits;
  explicit AxisPoints(const Constellation& c) {
    for (std::size_t i = 0; i < count; ++i) level[i] = static_cast<float>(c.axis().level[i]);
    for (std::size_t i = 0; i < count && c.is_shaped(); ++i) {
      double share = 0.0;
      for (std::size_t k = 0; k < count; ++k) share += c.probability(i * count + k);
      log_share[i] = static_cast<float>(std::log(share));
    }
  }
  static COHLINK_VECTOR_INLINE Value take(const float* row, std::size_t left) {
    if (left >= vectors::kWidth) return vectors::load(row);
    float some[vectors::kWidth] = {};
    std::copy_n(row, left, some);
    return vectors::load(some);
  }
  COHLINK_VECTOR_INLINE vectors::Floats distance(const Value& value, std::size_t i) const {
    const vectors::Floats away = value - level[i];
    return away * away;
  }
  float level[count];
  float log_share[count] = {};  // ln of how often each is sent; 0 where all are alike
};

/// Any points.
struct PlanePoints {
  using Part = std::complex<float>;
  using Value = vectors::ComplexFloats;
  explicit PlanePoints(const Constellation& c)
      : bits(static_cast<std::size_t>(c.bits())), count(c.size()), points(c.single()), log_share(c.size()) {
    for (std::size_t i = 0; i < count && c.is_shaped(); ++i)
      log_share[i] = static_cast<float>(std::log(c.probability(i)));
  }
  static COHLINK_VECTOR_INLINE Value take(const std::complex<float>* row, std::size_t left) {
    return vectors::load_complex(row, left);
  }
  COHLINK_VECTOR_INLINE vectors::Floats distance(const Value& value, std::size_t i) const {
    const Value away = value - vectors::all(points[i]);
    return away.re * away.re + away.im * away.im;
  }
  std::size_t bits, count;
  std::span<const std::complex<float>> points;
  std::vector<float> log_share;  // ln of how often each is sent; 0 where all are alike
};

/// Labels of the points nearest to the values.
template <class Points>
COHLINK_VECTOR_INLINE vectors::Words labels(const Points& points, const typename Points::Value& value) {
  vectors::Words label = {};
  vectors::Floats away = points.distance(value, 0);
  for (std::size_t i = 1; i < points.count; ++i) {
    const vectors::Floats from_this = points.distance(value, i);
    label = vectors::choose(from_this < away, vectors::Words{} + static_cast<std::uint32_t>(i), label);
    away = vectors::lesser(from_this, away);
  }
  return label;
}

/// Of symbols, whatever their points are.
template <std::size_t kBits>
COHLINK_VECTOR_INLINE vectors::Words symbol_labels(const AxisPoints<kBits>& points,
                                                   const vectors::ComplexFloats& y) {
  return labels(points, y.re) << kBits | labels(points, y.im);
}
COHLINK_VECTOR_INLINE vectors::Words symbol_labels(const PlanePoints& points,
                                                   const vectors::ComplexFloats& y) {
  return labels(points, y);
}

/// Calls `use` with the points as what makes the least work of them.
template <class Use>
COHLINK_VECTOR_INLINE auto with_points(const Constellation& c, const Use& use) {
  switch (c.axis().count()) {
    case 2:
      return use(AxisPoints<1>(c));
    case 4:
      return use(AxisPoints<2>(c));
    case 8:
      return use(AxisPoints<3>(c));
    default:
      return use(PlanePoints(c));
  }
}

/// 1 in the first `count` of sixteen places, 0 in the others.
COHLINK_VECTOR_INLINE vectors::Words first_places(std::size_t count) {
  const vectors::Words place = {0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13, 14, 15};
  return vectors::bits<vectors::Words>(place < static_cast<std::uint32_t>(std::min(count, vectors::kWidth))) &
         1u;
}

}  // namespace cohlink
