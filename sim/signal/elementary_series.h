// exp and ln over GCC's vector types, for loops compiled for one instruction set each. R is a vector of
// doubles, W one of as many 64-bit words.
#pragma once

#include <cstdint>

#include "sim/signal/vectors.h"

namespace cohlink::vectors {

/// ln u for normal u > 0. u = 2^e m with m from sqrt(1/2) to sqrt(2); ln m = 2 atanh s, s = (m - 1)/(m + 1),
/// with the coefficients of FreeBSD's e_log.c (error below 2^-58).
template <class R, class W>
COHLINK_VECTOR_INLINE R log_series(const R& u) {
  constexpr std::uint64_t kBias = std::uint64_t{1024} << 52;  // keeps the shifted exponent above 0
  const W from_root = bits<W>(u) - (0x3fe6a09e667f3bcdu - kBias);
  const R e = bits<R>((from_root >> 52) | 0x4330000000000000u) - (0x1p52 + 1024.0);
  const R m = bits<R>(bits<W>(u) - (from_root & 0xfff0000000000000u) + kBias);
  const R s = (m - 1.0) / (m + 1.0), z = s * s, w = z * z;
  const R series =
      (2.0 + z * 0.6666666666666735130) + w * ((0.3999999999940941908 + z * 0.2857142874366239149) +
                                               w * ((0.2222219843214978396 + z * 0.1818357216161805012) +
                                                    w * (0.1531383769920937332 + z * 0.1479819860511658591)));
  return e * 0.69314718055994530942 + s * series;
}

/// exp x for |x| <= 708. x = k ln 2 + r with |r| <= ln 2/2, where Taylor's polynomial of degree 13 is within
/// 5e-18.
template <class R, class W>
COHLINK_VECTOR_INLINE R exp_series(const R& x) {
  constexpr double kRounder = 0x1.8p52;  // leaves the nearest whole number in the low bits of the pattern
  const R shifted = x * 1.4426950408889634074 + kRounder, k = shifted - kRounder;
  const R r =
      (x - k * 0x1.62e42fefa0000p-1) - k * 0x1.cf79abc9e3b3ap-40;  // ln 2 in two parts, the first exact
  const R s = r * r, q = s * s;
  const R low = (1.0 + r) + s * (1.0 / 2 + r * (1.0 / 6));
  const R middle = (1.0 / 24 + r * (1.0 / 120)) + s * (1.0 / 720 + r * (1.0 / 5040));
  const R high = (1.0 / 40320 + r * (1.0 / 362880)) + s * (1.0 / 3628800 + r * (1.0 / 39916800));
  const R top = 1.0 / 479001600 + r * (1.0 / 6227020800);
  const R power = bits<R>((bits<W>(shifted) << 52) + 0x3ff0000000000000u);  // 2^k
  return power * (low + q * (middle + q * (high + q * top)));
}

}  // namespace cohlink::vectors
