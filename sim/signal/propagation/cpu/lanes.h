// Vectors of so many lanes and the shuffles between them, for the fast engine's inner loops: these are
// written once over GCC's vector types; kernels.cpp inlines them into functions compiled for one instruction
// set each, where a vector is one register.
#pragma once

#include <cstdint>
#include <type_traits>
#include <utility>

#include "sim/signal/vectors.h"

namespace cohlink::kernels {

template <class T, int kLanes>
struct VectorOf {
  typedef T Type __attribute__((vector_size(sizeof(T) * kLanes)));
};
template <class T, int kLanes>
using Vector = typename VectorOf<T, kLanes>::Type;

using vectors::bits;
using vectors::load;
using vectors::store;

template <int kLanes>
using Lanes = std::make_integer_sequence<int, kLanes>;

template <class V, int... I>
COHLINK_VECTOR_INLINE V evens(const V& a, const V& b, std::integer_sequence<int, I...>) {
  return __builtin_shufflevector(a, b, (2 * I)...);
}
template <class V, int... I>
COHLINK_VECTOR_INLINE V odds(const V& a, const V& b, std::integer_sequence<int, I...>) {
  return __builtin_shufflevector(a, b, (2 * I + 1)...);
}
// (v0, v0, v1, v1, ...) of the lower or upper half.
template <int kUpper, class V, int... I>
COHLINK_VECTOR_INLINE V twice(const V& v, std::integer_sequence<int, I...>) {
  constexpr int kHalf = static_cast<int>(sizeof...(I)) / 2;
  return __builtin_shufflevector(v, v, (kUpper * kHalf + I / 2)...);
}
template <class V, int... I>
COHLINK_VECTOR_INLINE V swap_pairs(const V& v, std::integer_sequence<int, I...>) {
  return __builtin_shufflevector(v, v, (I ^ 1)...);
}
template <class V, int... I>
COHLINK_VECTOR_INLINE V count_up(std::integer_sequence<int, I...>) {
  return V{I...};
}
// (-1, +1, -1, +1, ...).
template <class V, int... I>
COHLINK_VECTOR_INLINE V alternating(std::integer_sequence<int, I...>) {
  return V{((I & 1) != 0 ? 1 : -1)...};
}

// What a loop over kLanes samples (two registers a row) needs to know of its type.
template <class Real, int kLanes>
struct Shape {
  static constexpr int kWidth = kLanes;
  using Word = std::conditional_t<sizeof(Real) == 4, std::uint32_t, std::uint64_t>;
  using R = Vector<Real, kLanes>;
  using W = Vector<Word, kLanes>;
  static constexpr Word kSignBit = Word{1} << (8 * sizeof(Real) - 1);
  // 1.5 x 2^(mantissa bits): adding it rounds to an integer and leaves that in the low bits of the pattern.
  static constexpr Real kRounder = sizeof(Real) == 4 ? Real(0x1.8p23) : Real(0x1.8p52);
};

}  // namespace cohlink::kernels
