// What loops over GCC's vector types share: inlining, and moves between memory and vectors.
#pragma once

#include <cstring>

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
/// The same bits as another type.
template <class To, class From>
COHLINK_VECTOR_INLINE To bits(const From& v) {
  static_assert(sizeof(To) == sizeof(From));
  To out;
  std::memcpy(&out, &v, sizeof out);
  return out;
}

}  // namespace cohlink::vectors
