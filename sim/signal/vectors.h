// What loops over GCC's vector types share: inlining, and moves between memory and vectors.
#pragma once

#include <cstdint>
#include <cstring>
#include <utility>

// Vectors are only ever passed to inlined functions, so their calling convention is moot.
#if defined(__GNUC__) && !defined(__clang__)
#pragma GCC diagnostic ignored "-Wpsabi"
#endif

#define COHLINK_VECTOR_INLINE inline __attribute__((always_inline))

namespace cohlink::vectors {

template <class V, class T>
COHLINK_VECTOR_INLINE V load(const T* p) {
  V v;
  std::memcpy(&v, p, sizeof v);
  return v;
}
template <class V, class T>
COHLINK_VECTOR_INLINE void store(T* p, const V& v) {
  std::memcpy(p, &v, sizeof v);
}
/// So many doubles side by side, and as many 64-bit words.
template <int kLanes>
struct Doubles {
  typedef std::uint64_t W __attribute__((vector_size(8 * kLanes)));
  typedef double R __attribute__((vector_size(8 * kLanes)));
};

/// (a0, b0, a1, b1, ...), in runs of kRun, of the lower or upper half of the lanes.
template <int kRun, int kUpper, class V, int... I>
COHLINK_VECTOR_INLINE V interleave(const V& a, const V& b, std::integer_sequence<int, I...>) {
  constexpr int kLanes = static_cast<int>(sizeof...(I));
  return __builtin_shufflevector(
      a, b, (kUpper * kLanes / 2 + I / (2 * kRun) * kRun + I % kRun + (I / kRun % 2) * kLanes)...);
}

/// The same bits as another type.
template <class To, class From>
COHLINK_VECTOR_INLINE To bits(const From& v) {
  static_assert(sizeof(To) == sizeof(From));
  To out;
  std::memcpy(&out, &v, sizeof out);
  return out;
}

}  // namespace cohlink::vectors
