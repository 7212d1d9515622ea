#include "sim/signal/normals.h"

#include <cmath>
#include <string_view>
#include <type_traits>
#include <utility>

#include "sim/signal/elementary_series.h"
#include "sim/signal/instruction_sets.h"
#include "sim/signal/philox.h"
#include "sim/signal/sine_series.h"
#include "sim/signal/vectors.h"

#if COHLINK_X86
#include <immintrin.h>
#endif

namespace cohlink::normals {
namespace {

using vectors::bits;
using vectors::store;

template <int kLanes>
struct Shape : vectors::Doubles<kLanes> {
  typedef float F __attribute__((vector_size(8 * kLanes)));          // as long in memory, twice as many
  typedef std::uint32_t V __attribute__((vector_size(8 * kLanes)));  // as many words of 32 bits
  typedef float Half __attribute__((vector_size(4 * kLanes)));
  static constexpr int kWidth = kLanes;

  static inline Half rounded(const typename Shape::R& x) { return __builtin_convertvector(x, Half); }
  static inline typename Shape::R widened(const Half& x) {
    return __builtin_convertvector(x, typename Shape::R);
  }
};

// The operations that the compiler's vector types do not offer: the 64-bit product of the lower halves and
// the square root, and conversions of a whole vector (GCC 12 splits those of 512 bits). Inlined once the
// loops around them stand in a function of the same instruction set.
struct Portable : Shape<2> {
#if COHLINK_X86
  static inline W product(const W& a, const W& b) {
    return bits<W>(_mm_mul_epu32(bits<__m128i>(a), bits<__m128i>(b)));
  }
#else
  static inline W product(const W& a, const W& b) { return (a & 0xffffffffu) * (b & 0xffffffffu); }
#endif
  static inline R root(const R& x) { return R{std::sqrt(x[0]), std::sqrt(x[1])}; }
  static inline F root(const F& x) {
    return F{std::sqrt(x[0]), std::sqrt(x[1]), std::sqrt(x[2]), std::sqrt(x[3])};
  }
};
#if COHLINK_X86
struct Avx2 : Shape<4> {
  COHLINK_AVX2 static inline W product(const W& a, const W& b) {
    return bits<W>(_mm256_mul_epu32(bits<__m256i>(a), bits<__m256i>(b)));
  }
  COHLINK_AVX2 static inline R root(const R& x) { return bits<R>(_mm256_sqrt_pd(bits<__m256d>(x))); }
  COHLINK_AVX2 static inline F root(const F& x) { return bits<F>(_mm256_sqrt_ps(bits<__m256>(x))); }
};
// Masked, with all lanes on: GCC 12 warns falsely inside the plain ones (GCC bug 105593).
struct Avx512 : Shape<8> {
  COHLINK_AVX512 static inline W product(const W& a, const W& b) {
    return bits<W>(_mm512_maskz_mul_epu32(0xff, bits<__m512i>(a), bits<__m512i>(b)));
  }
  COHLINK_AVX512 static inline R root(const R& x) {
    return bits<R>(_mm512_maskz_sqrt_pd(0xff, bits<__m512d>(x)));
  }
  COHLINK_AVX512 static inline F root(const F& x) {
    return bits<F>(_mm512_maskz_sqrt_ps(0xffff, bits<__m512>(x)));
  }
  COHLINK_AVX512 static inline Half rounded(const R& x) {
    return bits<Half>(_mm512_maskz_cvtpd_ps(0xff, bits<__m512d>(x)));
  }
  COHLINK_AVX512 static inline R widened(const Half& x) {
    return bits<R>(_mm512_maskz_cvtps_pd(0xff, bits<__m256>(x)));
  }
};
#endif

// In (0, 1], by the upper 40 bits of each word.
template <class S>
COHLINK_VECTOR_INLINE typename S::R unit_interval(const typename S::W& word) {
  constexpr std::uint64_t kOne = 0x3ff0000000000000u;  // pattern of 1.0: or a fraction into it
  return 2.0 - bits<typename S::R>(((word >> 24) << 12) | kOne);
}

// The lower words of both, those of a before those of b.
template <class V, class W, int... I>
COHLINK_VECTOR_INLINE V lower_words(const W& a, const W& b, std::integer_sequence<int, I...>) {
  return __builtin_shufflevector(bits<V>(a), bits<V>(b), (2 * I)...);
}
template <class S, int... I>
COHLINK_VECTOR_INLINE typename S::F rounded(const typename S::R& a, const typename S::R& b,
                                            std::integer_sequence<int, I...>) {
  return __builtin_shufflevector(S::rounded(a), S::rounded(b), I...);
}

// The pairs of normals of two 64-bit words in each lane, those of a before those of b, by Box and Muller. The
// angle is s/2 + 1/4 + q turns with s the first of its bits and |q| <= 1/4, so that the cosine is
// -(-1)^s sin 2 pi q and the sine (-1)^s cos 2 pi q. Of the radius only the reduction of the logarithm is
// made in double precision: the uniform number may be as small as 2^-40.
template <class S>
COHLINK_VECTOR_INLINE void pairs_of_words(const typename S::W& a, const typename S::W& b, float deviation,
                                          typename S::F& even, typename S::F& odd) {
  using F = typename S::F;
  using V = typename S::V;
  constexpr std::make_integer_sequence<int, 2 * S::kWidth> lanes{};
  const auto of_a = vectors::reduced<typename S::R, typename S::W>(unit_interval<S>(a)),
             of_b = vectors::reduced<typename S::R, typename S::W>(unit_interval<S>(b));
  const F e = rounded<S>(of_a.e, of_b.e, lanes), t = rounded<S>(of_a.m - 1.0, of_b.m - 1.0, lanes);
  const F radius = S::root(-2.0f * (e * 0.69314718f + vectors::log_of_mantissa(t)));
  const V low = lower_words<V>(a, b, lanes);
  const F q = 0.5f * bits<F>((low & 0x007fffffu) | 0x3f800000u) - 0.75f, square = q * q;
  const F length = bits<F>(bits<V>(radius * deviation) ^ ((low << 8) & 0x80000000u));
  even = -length * (q * vectors::sine_series(square, 0.0f));
  odd = length * vectors::cosine_series(square, 0.0f);
}

// Blocks stand in lanes; in memory a block's four normals stand together.
template <int kLanes, int kUpper, class F, int... I>
COHLINK_VECTOR_INLINE F block_order(const F& even, const F& odd, std::integer_sequence<int, I...>) {
  return __builtin_shufflevector(even, odd,
                                 (I % 2 * 2 * kLanes + I % 4 / 2 * kLanes + I / 4 + kUpper * kLanes / 2)...);
}

// Half the lanes of single-precision normals as doubles. The scale comes last: it may be below their range.
template <class S, int kFirst, int... I>
COHLINK_VECTOR_INLINE typename S::R widened(const typename S::F& normals, double deviation,
                                            std::integer_sequence<int, I...>) {
  return S::widened(__builtin_shufflevector(normals, normals, (kFirst + I)...)) * deviation;
}

// Twice as many normals as a vector has lanes in single precision, at their places.
template <class S>
COHLINK_VECTOR_INLINE void put(float* out, const typename S::F& normals, double /*in them*/) {
  store(out, normals);
}
template <class S>
COHLINK_VECTOR_INLINE void put(double* out, const typename S::F& normals, double deviation) {
  constexpr std::make_integer_sequence<int, S::kWidth> lanes{};
  store(out, widened<S, 0>(normals, deviation, lanes));
  store(out + S::kWidth, widened<S, S::kWidth>(normals, deviation, lanes));
}

// The normals of the blocks whose words 0 and 1 are these.
template <class S, class Real>
COHLINK_VECTOR_INLINE void put_blocks(Real* out, const typename S::W& a, const typename S::W& b,
                                      double deviation) {
  constexpr int kWidth = S::kWidth;
  constexpr std::make_integer_sequence<int, 2 * kWidth> lanes{};
  typename S::F even, odd;
  pairs_of_words<S>(a, b, std::is_same_v<Real, float> ? static_cast<float>(deviation) : 1.0f, even, odd);
  put<S>(out, block_order<kWidth, 0>(even, odd, lanes), deviation);
  put<S>(out + 2 * kWidth, block_order<kWidth, 1>(even, odd, lanes), deviation);
}

// Ten rounds are one long chain of dependent operations: four vectors of blocks side by side hide it. A word
// of 32 bits stands in the lower half of a lane; what is above it is never read.
constexpr int kSide = 4;

template <class S>
COHLINK_VECTOR_INLINE void rounds(typename S::W (&c)[4][kSide], std::uint64_t key) {
  using W = typename S::W;
  const W m0 = W{} + philox::kMultiplier[0], m1 = W{} + philox::kMultiplier[1];
  auto k0 = static_cast<std::uint32_t>(key), k1 = static_cast<std::uint32_t>(key >> 32);
#pragma GCC unroll 10
  for (int round = 0; round < philox::kRounds; ++round) {
#pragma GCC unroll 4
    for (int i = 0; i < kSide; ++i) {
      const W p = S::product(c[0][i], m0), q = S::product(c[2][i], m1);
      c[0][i] = (q >> 32) ^ c[1][i] ^ std::uint64_t{k0};
      c[2][i] = (p >> 32) ^ c[3][i] ^ std::uint64_t{k1};
      c[1][i] = q;
      c[3][i] = p;
    }
    k0 += philox::kWeyl[0];
    k1 += philox::kWeyl[1];
  }
}

template <class W, int... I>
COHLINK_VECTOR_INLINE W count_up(std::integer_sequence<int, I...>) {
  return W{I...};
}

template <class S, class Real>
COHLINK_VECTOR_INLINE void fill(std::uint64_t key, std::uint64_t first, std::size_t count, double deviation,
                                Real* out) {
  using W = typename S::W;
  constexpr int kWidth = S::kWidth;
  constexpr std::size_t kTogether = 4 * kSide * kWidth;  // normals made at a time
  static_assert(kGranule % kTogether == 0);
  const W step = count_up<W>(std::make_integer_sequence<int, kWidth>{});
  std::uint64_t block = first * (kGranule / 4);
  for (const Real* end = out + count * kGranule; out != end; out += kTogether) {
    W c[4][kSide];
    for (int i = 0; i < kSide; ++i, block += kWidth) {
      c[0][i] = step + block;
      c[1][i] = c[0][i] >> 32;
      c[2][i] = W{} + static_cast<std::uint64_t>(philox::Purpose::kNormals);
      c[3][i] = W{};
    }
    rounds<S>(c, key);
#pragma GCC unroll 4
    for (int i = 0; i < kSide; ++i) {
      put_blocks<S>(out + 4 * i * kWidth, (c[0][i] & 0xffffffffu) | (c[1][i] << 32),
                    (c[2][i] & 0xffffffffu) | (c[3][i] << 32), deviation);
    }
  }
}

template <class Real>
void fill_portable(std::uint64_t key, std::uint64_t first, std::size_t count, double deviation, Real* out) {
  fill<Portable>(key, first, count, deviation, out);
}
#if COHLINK_X86
template <class Real>
COHLINK_AVX2 void fill_avx2(std::uint64_t key, std::uint64_t first, std::size_t count, double deviation,
                            Real* out) {
  fill<Avx2>(key, first, count, deviation, out);
}
template <class Real>
COHLINK_AVX512 void fill_avx512(std::uint64_t key, std::uint64_t first, std::size_t count, double deviation,
                                Real* out) {
  fill<Avx512>(key, first, count, deviation, out);
}
#endif

}  // namespace

template <class Real>
Fill<Real> named_fill(const char* name) {
  const std::string_view wanted(name);
#if COHLINK_X86
  if (wanted == "avx512") return has_avx512() ? fill_avx512<Real> : nullptr;
  if (wanted == "avx2") return has_avx2() ? fill_avx2<Real> : nullptr;
#endif
  return wanted == "portable" ? fill_portable<Real> : nullptr;
}

template <class Real>
Fill<Real> best_fill() {
  static const Fill<Real> best = named_fill<Real>(has_avx512() ? "avx512" : has_avx2() ? "avx2" : "portable");
  return best;
}

template Fill<float> named_fill<float>(const char*);
template Fill<double> named_fill<double>(const char*);
template Fill<float> best_fill<float>();
template Fill<double> best_fill<double>();

}  // namespace cohlink::normals
