#include "sim/signal/normals.h"

#include <cmath>
#include <string_view>
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
using vectors::interleave;
using vectors::store;

template <int kLanes>
struct Shape : vectors::Doubles<kLanes> {
  typedef float F __attribute__((vector_size(8 * kLanes)));          // as long in memory, twice as many
  typedef std::uint32_t V __attribute__((vector_size(8 * kLanes)));  // as many words of 32 bits
  typedef float Half __attribute__((vector_size(4 * kLanes)));
  static constexpr int kWidth = kLanes;
};

// The two operations that the compiler's vector types do not offer: the 64-bit product of the lower halves,
// and the square root. Inlined once the loops around them stand in a function of the same instruction set.
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
};
#endif

// In (0, 1], by the upper 40 bits of each word.
template <class S>
COHLINK_VECTOR_INLINE typename S::R unit_interval(const typename S::W& word) {
  constexpr std::uint64_t kOne = 0x3ff0000000000000u;  // pattern of 1.0: or a fraction into it
  return 2.0 - bits<typename S::R>(((word >> 24) << 12) | kOne);
}

// The pair of normals of one 64-bit word in each lane, by Box and Muller. The angle is s/2 + 1/4 + q turns
// with s its first bit and |q| <= 1/4, so that the cosine is -(-1)^s sin 2 pi q and the sine (-1)^s cos 2 pi
// q.
template <class S>
COHLINK_VECTOR_INLINE void pair_of_word(const typename S::W& word, double deviation, typename S::R& even,
                                        typename S::R& odd) {
  using R = typename S::R;
  using W = typename S::W;
  constexpr std::uint64_t kOne = 0x3ff0000000000000u;  // pattern of 1.0: or a fraction into it
  const R radius = S::root(-2.0 * vectors::log_series<R, W>(unit_interval<S>(word)));
  const R q = 0.5 * bits<R>(((word << 29) & 0x000fffffe0000000u) | kOne) - 0.75;
  const R square = q * q;
  const W sign = (word << 40) & 0x8000000000000000u;
  const R length = bits<R>(bits<W>(radius * deviation) ^ sign);
  even = -length * (q * vectors::sine_series(square, 0.0));
  odd = length * vectors::cosine_series(square, 0.0);
}

// The lower words of both, those of a before those of b.
template <class V, class W, int... I>
COHLINK_VECTOR_INLINE V lower_words(const W& a, const W& b, std::integer_sequence<int, I...>) {
  return __builtin_shufflevector(bits<V>(a), bits<V>(b), (2 * I)...);
}
template <class F, class Half, class R, int... I>
COHLINK_VECTOR_INLINE F rounded(const R& a, const R& b, std::integer_sequence<int, I...>) {
  return __builtin_shufflevector(__builtin_convertvector(a, Half), __builtin_convertvector(b, Half), I...);
}

// In single precision the pairs of two words in each lane, those of a before those of b. Of the radius only
// the reduction of the logarithm is made in double: 1 - u may be as small as 2^-40.
template <class S>
COHLINK_VECTOR_INLINE void pairs_of_words(const typename S::W& a, const typename S::W& b, float deviation,
                                          typename S::F& even, typename S::F& odd) {
  using F = typename S::F;
  using V = typename S::V;
  using Half = typename S::Half;
  constexpr std::make_integer_sequence<int, 2 * S::kWidth> lanes{};
  const auto of_a = vectors::reduced<typename S::R, typename S::W>(unit_interval<S>(a)),
             of_b = vectors::reduced<typename S::R, typename S::W>(unit_interval<S>(b));
  const F e = rounded<F, Half>(of_a.e, of_b.e, lanes),
          t = rounded<F, Half>(of_a.m - 1.0, of_b.m - 1.0, lanes);
  const F radius = S::root(-2.0f * (e * 0.69314718f + vectors::log_of_mantissa(t)));
  const V low = lower_words<V>(a, b, lanes);
  const F q = 0.5f * bits<F>((low & 0x007fffffu) | 0x3f800000u) - 0.75f, square = q * q;
  const F length = bits<F>(bits<V>(radius * deviation) ^ ((low << 8) & 0x80000000u));
  even = -length * (q * vectors::sine_series(square, 0.0f));
  odd = length * vectors::cosine_series(square, 0.0f);
}

// Blocks stand in lanes; in memory a block's four normals stand together.
template <class S>
COHLINK_VECTOR_INLINE void store_blocks(double* out, const typename S::R (&normal)[4]) {
  constexpr int kWidth = S::kWidth;
  constexpr std::make_integer_sequence<int, kWidth> lanes{};
  using R = typename S::R;
  const R a0 = interleave<1, 0>(normal[0], normal[1], lanes),
          a1 = interleave<1, 1>(normal[0], normal[1], lanes);
  const R b0 = interleave<1, 0>(normal[2], normal[3], lanes),
          b1 = interleave<1, 1>(normal[2], normal[3], lanes);
  if constexpr (kWidth == 2) {
    store(out, a0), store(out + 2, b0), store(out + 4, a1), store(out + 6, b1);
  } else {
    store(out, interleave<2, 0>(a0, b0, lanes));
    store(out + kWidth, interleave<2, 1>(a0, b0, lanes));
    store(out + 2 * kWidth, interleave<2, 0>(a1, b1, lanes));
    store(out + 3 * kWidth, interleave<2, 1>(a1, b1, lanes));
  }
}
template <int kLanes, int kUpper, class F, int... I>
COHLINK_VECTOR_INLINE F block_order(const F& even, const F& odd, std::integer_sequence<int, I...>) {
  return __builtin_shufflevector(even, odd,
                                 (I % 2 * 2 * kLanes + I % 4 / 2 * kLanes + I / 4 + kUpper * kLanes / 2)...);
}

// The normals of the blocks whose words 0 and 1 are these.
template <class S>
COHLINK_VECTOR_INLINE void put_blocks(double* out, const typename S::W& a, const typename S::W& b,
                                      double deviation) {
  typename S::R normal[4];
  pair_of_word<S>(a, deviation, normal[0], normal[1]);
  pair_of_word<S>(b, deviation, normal[2], normal[3]);
  store_blocks<S>(out, normal);
}
template <class S>
COHLINK_VECTOR_INLINE void put_blocks(float* out, const typename S::W& a, const typename S::W& b,
                                      double deviation) {
  constexpr int kWidth = S::kWidth;
  constexpr std::make_integer_sequence<int, 2 * kWidth> lanes{};
  typename S::F even, odd;
  pairs_of_words<S>(a, b, static_cast<float>(deviation), even, odd);
  store(out, block_order<kWidth, 0>(even, odd, lanes));
  store(out + 2 * kWidth, block_order<kWidth, 1>(even, odd, lanes));
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
