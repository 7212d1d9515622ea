// ln and exp in single precision over GCC's vector types, for loops compiled for one instruction set each.
// R is a vector of doubles, W one of as many 64-bit words; S one of floats, V one of as many 32-bit words.
#pragma once

#include <cstdint>

#include "sim/signal/vectors.h"

namespace cohlink::vectors {

/// u = 2^e m with m from sqrt(1/2) to sqrt(2).
template <class R>
struct Reduced {
  R e, m;
};
/// For normal u > 0, without rounding.
template <class R, class W>
COHLINK_VECTOR_INLINE Reduced<R> reduced(const R& u) {
  constexpr std::uint64_t kBias = std::uint64_t{1024} << 52;  // keeps the shifted exponent above 0
  const W from_root = bits<W>(u) - (0x3fe6a09e667f3bcdu - kBias);
  return {bits<R>((from_root >> 52) | 0x4330000000000000u) - (0x1p52 + 1024.0),
          bits<R>(bits<W>(u) - (from_root & 0xfff0000000000000u) + kBias)};
}

/// ln(1 + t) in single precision for t from sqrt(1/2) - 1 to sqrt(2) - 1, by Taylor's series of atanh:
/// relative error below 3e-7.
template <class S>
COHLINK_VECTOR_INLINE S log_of_mantissa(const S& t) {
  const S s = t / (t + 2.0f), z = s * s;
  return s * (2.0f + z * (2.0f / 3 + z * (2.0f / 5 + z * (2.0f / 7 + z * (2.0f / 9)))));
}

/// ln u in single precision, for normal u > 0, error below 2e-7 and 2e-7 of the result.
template <class S, class V>
COHLINK_VECTOR_INLINE S log_single(const S& u) {
  constexpr std::uint32_t kBias = std::uint32_t{128} << 23;
  const V from_root = bits<V>(u) - (0x3f3504f3u - kBias);
  const S e = bits<S>((from_root >> 23) | 0x4b000000u) - (0x1p23f + 128.0f);
  const S m = bits<S>(bits<V>(u) - (from_root & 0xff800000u) + kBias);
  return e * 0.69314718f + log_of_mantissa(m - 1.0f);
}

/// exp x in single precision for -87 <= x <= 0, relative error below 2e-7; below that exp(-87).
template <class S, class V>
COHLINK_VECTOR_INLINE S exp_single(const S& x) {
  constexpr float kRounder = 0x1.8p23f, kLeast = -87.0f;
  const S inside = x > kLeast ? x : S{} + kLeast, shifted = inside * 1.44269504f + kRounder,
          k = shifted - kRounder;
  const S r = (inside - k * 0x1.62e4p-1f) - k * 0x1.7f7d1cp-20f;  // ln 2 in two parts, the first exact
  const S low = 1.0f + r * (1.0f + r * (1.0f / 2 + r * (1.0f / 6)));
  const S high = 1.0f / 24 + r * (1.0f / 120 + r * (1.0f / 720 + r * (1.0f / 5040)));
  const S power = bits<S>((bits<V>(shifted) << 23) + 0x3f800000u);  // 2^k
  return power * (low + (r * r) * (r * r) * high);
}

}  // namespace cohlink::vectors
