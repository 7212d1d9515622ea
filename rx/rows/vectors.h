// Vectors of 16 floats.
#pragma once

#include <algorithm>
#include <complex>
#include <cstddef>
#include <cstdint>

#include "sim/signal/instruction_sets.h"
#include "sim/signal/vectors.h"

namespace cohlink::vectors {

/// 16 floats; the compiler cuts them to the registers of each version.
constexpr std::size_t kWidth = 16;
typedef float Floats __attribute__((vector_size(64)));
typedef std::uint32_t Words __attribute__((vector_size(64)));
typedef float EightFloats __attribute__((vector_size(32)));
typedef float FourFloats __attribute__((vector_size(16)));
typedef double EightDoubles __attribute__((vector_size(64)));
typedef std::uint64_t EightWords __attribute__((vector_size(64)));

/// Sixteen floats where no other vector is named.
template <class T>
COHLINK_VECTOR_INLINE Floats load(const T* p) {
  return load<Floats, T>(p);
}
COHLINK_VECTOR_INLINE Floats magnitude(const Floats& v) { return bits<Floats>(bits<Words>(v) & 0x7fffffffu); }
COHLINK_VECTOR_INLINE Floats lesser(const Floats& a, const Floats& b) { return a < b ? a : b; }
COHLINK_VECTOR_INLINE Floats greater(const Floats& a, const Floats& b) { return a > b ? a : b; }
COHLINK_VECTOR_INLINE Floats all(float value) { return Floats{} + value; }

/// a where the comparison `mask` holds, else b. (Of a ? b : c with equal lanes GCC 12 makes sixteen
/// branches.)
template <class Mask, class V>
COHLINK_VECTOR_INLINE V choose(const Mask& mask, const V& a, const V& b) {
  const Words m = bits<Words>(mask);
  return bits<V>((m & bits<Words>(a)) | (~m & bits<Words>(b)));
}

/// Four lanes that together hold the sum of all sixteen.
COHLINK_VECTOR_INLINE FourFloats fold(const Floats& v) {
  const EightFloats h = __builtin_shufflevector(v, v, 0, 1, 2, 3, 4, 5, 6, 7) +
                        __builtin_shufflevector(v, v, 8, 9, 10, 11, 12, 13, 14, 15);
  return __builtin_shufflevector(h, h, 0, 1, 2, 3) + __builtin_shufflevector(h, h, 4, 5, 6, 7);
}

/// (sum of a, sum of b, sum of c, sum of d).
COHLINK_VECTOR_INLINE FourFloats sums(const Floats& a, const Floats& b, const Floats& c, const Floats& d) {
  const FourFloats p = fold(a), q = fold(b), r = fold(c), s = fold(d);
  const FourFloats pq = __builtin_shufflevector(p, q, 0, 4, 2, 6) + __builtin_shufflevector(p, q, 1, 5, 3, 7);
  const FourFloats rs = __builtin_shufflevector(r, s, 0, 4, 2, 6) + __builtin_shufflevector(r, s, 1, 5, 3, 7);
  return __builtin_shufflevector(pq, rs, 0, 1, 4, 5) + __builtin_shufflevector(pq, rs, 2, 3, 6, 7);
}

/// Sixteen complex numbers, real and imaginary parts apart.
struct ComplexFloats {
  Floats re, im;
};
COHLINK_VECTOR_INLINE ComplexFloats load_complex(const std::complex<float>* p) {
  const auto* f = reinterpret_cast<const float*>(p);
  const Floats a = load(f), b = load(f + kWidth);
  return {__builtin_shufflevector(a, b, 0, 2, 4, 6, 8, 10, 12, 14, 16, 18, 20, 22, 24, 26, 28, 30),
          __builtin_shufflevector(a, b, 1, 3, 5, 7, 9, 11, 13, 15, 17, 19, 21, 23, 25, 27, 29, 31)};
}
COHLINK_VECTOR_INLINE void store_complex(std::complex<float>* p, const ComplexFloats& v) {
  auto* f = reinterpret_cast<float*>(p);
  store(f, __builtin_shufflevector(v.re, v.im, 0, 16, 1, 17, 2, 18, 3, 19, 4, 20, 5, 21, 6, 22, 7, 23));
  store(f + kWidth,
        __builtin_shufflevector(v.re, v.im, 8, 24, 9, 25, 10, 26, 11, 27, 12, 28, 13, 29, 14, 30, 15, 31));
}
COHLINK_VECTOR_INLINE ComplexFloats operator*(const ComplexFloats& a, const ComplexFloats& b) {
  return {a.re * b.re - a.im * b.im, a.re * b.im + a.im * b.re};
}
COHLINK_VECTOR_INLINE ComplexFloats operator-(const ComplexFloats& a, const ComplexFloats& b) {
  return {a.re - b.re, a.im - b.im};
}
COHLINK_VECTOR_INLINE ComplexFloats all(std::complex<float> value) {
  return {all(value.real()), all(value.imag())};
}

/// The first `count` of a row's next sixteen, zeros behind them.
COHLINK_VECTOR_INLINE ComplexFloats load_complex(const std::complex<float>* p, std::size_t count) {
  if (count >= kWidth) return load_complex(p);
  alignas(64) std::complex<float> some[kWidth] = {};
  std::copy_n(p, count, some);
  return load_complex(some);
}
COHLINK_VECTOR_INLINE void store_complex(std::complex<float>* p, const ComplexFloats& v, std::size_t count) {
  if (count >= kWidth) return store_complex(p, v);
  alignas(64) std::complex<float> some[kWidth];
  store_complex(some, v);
  std::copy_n(some, count, p);
}

}  // namespace cohlink::vectors
