#include "sim/signal/propagation/cpu/kernels.h"

#include <cmath>
#include <cstdint>
#include <cstring>
#include <string_view>
#include <type_traits>
#include <utility>

#include "sim/signal/instruction_sets.h"
#include "sim/signal/sine_series.h"
#include "sim/signal/vectors.h"

namespace cohlink::kernels {
namespace {

// The loops are written once over GCC's vector types of a given number of lanes; each version below inlines
// them into functions compiled for one instruction set, where a vector is one register.
template <class T, int kLanes>
struct VectorOf {
  typedef T Type __attribute__((vector_size(sizeof(T) * kLanes)));
};
template <class T, int kLanes>
using Vector = typename VectorOf<T, kLanes>::Type;

using vectors::bits;
using vectors::cosine_series;
using vectors::load;
using vectors::sine_series;
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

// A cosine and a sine for each of kLanes samples.
template <class S>
struct Phasor {
  typename S::R c, s;
};

// `r` in turns, |r| <= 1/4; `sign` holds the sign bit to flip in both results.
template <class S, class Real>
COHLINK_VECTOR_INLINE Phasor<S> phasor_of_reduced(const typename S::R& r, const typename S::W& sign,
                                                  Real tag) {
  const typename S::R u = r * r;
  const typename S::R c = cosine_series(u, tag), s = r * sine_series(u, tag);
  return {bits<typename S::R>(bits<typename S::W>(c) ^ sign),
          bits<typename S::R>(bits<typename S::W>(s) ^ sign)};
}

// cos and sin of 2 pi t. t = m/2 + r with |r| <= 1/4, and half a turn only changes both signs.
template <class S, class Real>
COHLINK_VECTOR_INLINE Phasor<S> phasor_of_turns(const typename S::R& t, Real tag) {
  const typename S::R shifted = t * Real(2) + S::kRounder;
  const typename S::R r = t - Real(0.5) * (shifted - S::kRounder);
  const typename S::W sign = bits<typename S::W>(shifted) << (8 * sizeof(Real) - 1);
  return phasor_of_reduced<S>(r, sign, tag);
}

// A fraction of a turn as a 64-bit binary fraction, modulo one turn.
inline std::uint64_t binary_fraction(double turns) {
  const double fraction = turns - std::nearbyint(turns);
  return static_cast<std::uint64_t>(static_cast<std::int64_t>(fraction * 0x1p62)) << 2;
}

// Yields the phasors of a run of bins, kLanes at a time.
template <class Real, int kLanes>
class PhaseRun;

// Single precision: third-order differences of the binary fraction; its upper 32 bits are the phase.
template <int kLanes>
class PhaseRun<float, kLanes> {
  using S = Shape<float, kLanes>;
  using Half = Vector<std::uint64_t, kLanes / 2>;

 public:
  COHLINK_VECTOR_INLINE PhaseRun(BinRun bins, PhasePolynomial p, std::size_t offset) {
    const double k = bins.first + bins.stride * static_cast<double>(offset), h = bins.stride;
    const std::uint64_t a0 = binary_fraction(k * (p.p1 + k * (p.p2 + k * p.p3)));
    const std::uint64_t a1 = binary_fraction(h * (p.p1 + k * (2.0 * p.p2 + 3.0 * k * p.p3)));
    const std::uint64_t a2 = binary_fraction(h * h * (p.p2 + 3.0 * k * p.p3));
    const std::uint64_t a3 = binary_fraction(h * h * h * p.p3);
    constexpr std::uint64_t w = kLanes;
    for (int half = 0; half < 2; ++half) {
      const Half j = count_up<Half>(Lanes<kLanes / 2>{}) + static_cast<std::uint64_t>(half * kLanes / 2);
      const Half linear = 2 * a2 + 3 * a3 * j;
      phase_[half] = a0 + j * (a1 + j * (a2 + j * a3));
      first_[half] = w * (a1 + w * (a2 + w * a3) + j * (linear + 3 * a3 * w));
      second_[half] = w * w * (2 * a2 + 6 * a3 * (j + w));
    }
    third_ = 6 * w * w * w * a3;
  }

  COHLINK_VECTOR_INLINE Phasor<S> next() {
    using W = typename S::W;
    using Signed = Vector<std::int32_t, kLanes>;
    const W phase = odds(bits<W>(phase_[0]), bits<W>(phase_[1]), Lanes<kLanes>{});
    for (int half = 0; half < 2; ++half) {
      phase_[half] += first_[half];
      first_[half] += second_[half];
      second_[half] += third_;
    }
    // Twice the phase, modulo a turn, is twice the rest after half turns; a half turn was taken where its
    // sign differs from the phase's.
    const W doubled = phase << 1;
    const W sign = (phase ^ doubled) & S::kSignBit;
    const typename S::R r = __builtin_convertvector(bits<Signed>(doubled), typename S::R) * 0x1p-33f;
    return phasor_of_reduced<S>(r, sign, 0.0f);
  }

 private:
  Half phase_[2], first_[2], second_[2];
  std::uint64_t third_;
};

template <int kLanes>
class PhaseRun<double, kLanes> {
  using S = Shape<double, kLanes>;
  using R = typename S::R;

 public:
  COHLINK_VECTOR_INLINE PhaseRun(BinRun bins, PhasePolynomial p, std::size_t offset)
      : k_(bins.first + bins.stride * (static_cast<double>(offset) + count_up<R>(Lanes<kLanes>{}))),
        step_(bins.stride * kLanes),
        p_(p) {}

  COHLINK_VECTOR_INLINE Phasor<S> next() {
    const R t = k_ * (p_.p1 + k_ * (p_.p2 + k_ * p_.p3));
    k_ += step_;
    return phasor_of_turns<S>(t, 0.0);
  }

 private:
  R k_;
  double step_;
  PhasePolynomial p_;
};

// kLanes complex samples as they lie in memory: two registers.
template <class S>
struct Samples {
  typename S::R lower, upper;
};
template <class S, class Real>
COHLINK_VECTOR_INLINE Samples<S> load_samples(const Real* p) {
  return {load<typename S::R>(p), load<typename S::R>(p + S::kWidth)};
}
template <class S, class Real>
COHLINK_VECTOR_INLINE void store_samples(Real* p, const Samples<S>& v) {
  store(p, v.lower);
  store(p + S::kWidth, v.upper);
}

// A complex factor a sample, spread over the lanes so that the product with an interleaved register v is
// v * real + swap(v) * imaginary.
template <class S>
struct Factor {
  Samples<S> real, imaginary;
};
template <class S>
COHLINK_VECTOR_INLINE Factor<S> spread(const Phasor<S>& p) {
  constexpr Lanes<S::kWidth> lanes{};
  const typename S::R sign = alternating<typename S::R>(lanes);
  return {{twice<0>(p.c, lanes), twice<1>(p.c, lanes)},
          {twice<0>(p.s, lanes) * sign, twice<1>(p.s, lanes) * sign}};
}
template <class S>
COHLINK_VECTOR_INLINE Samples<S> operator*(const Samples<S>& v, const Factor<S>& f) {
  constexpr Lanes<S::kWidth> lanes{};
  return {v.lower * f.real.lower + swap_pairs(v.lower, lanes) * f.imaginary.lower,
          v.upper * f.real.upper + swap_pairs(v.upper, lanes) * f.imaginary.upper};
}
// a x + b y for fixed complex a and b.
template <class S, class Real>
COHLINK_VECTOR_INLINE Samples<S> combine(std::complex<double> a, const Samples<S>& x, std::complex<double> b,
                                         const Samples<S>& y) {
  constexpr Lanes<S::kWidth> lanes{};
  const auto ar = static_cast<Real>(a.real()), br = static_cast<Real>(b.real());
  const typename S::R sign = alternating<typename S::R>(lanes);
  const typename S::R ai = static_cast<Real>(a.imag()) * sign, bi = static_cast<Real>(b.imag()) * sign;
  return {ar * x.lower + br * y.lower + (ai * swap_pairs(x.lower, lanes) + bi * swap_pairs(y.lower, lanes)),
          ar * x.upper + br * y.upper + (ai * swap_pairs(x.upper, lanes) + bi * swap_pairs(y.upper, lanes))};
}

// Runs `body(x, y, offset)` on kLanes samples at a time; the rest goes through a padded copy.
template <class S, class Real, class Body>
COHLINK_VECTOR_INLINE void for_samples(std::complex<Real>* xc, std::complex<Real>* yc, std::size_t n,
                                       const Body& body) {
  Real* x = reinterpret_cast<Real*>(xc);
  Real* y = reinterpret_cast<Real*>(yc);
  std::size_t j = 0;
  for (; j + S::kWidth <= n; j += S::kWidth) body(x + 2 * j, y + 2 * j, j);
  if (j == n) return;
  Real rest[2][2 * S::kWidth] = {};
  const std::size_t bytes = (n - j) * 2 * sizeof(Real);
  std::memcpy(rest[0], x + 2 * j, bytes);
  std::memcpy(rest[1], y + 2 * j, bytes);
  body(rest[0], rest[1], j);
  std::memcpy(x + 2 * j, rest[0], bytes);
  std::memcpy(y + 2 * j, rest[1], bytes);
}

// Runs longer than this start their differences anew, before the quantised third difference could be felt.
constexpr std::size_t kLongestRun = 4096;

// Phasors exp(2 pi i turns k) of a run of bins: k = k_j + l with lane l in vector j, so they are products of
// one phasor a vector and one a lane, and cost a multiplication each.
template <class S, class Real>
class LinearRun {
 public:
  COHLINK_VECTOR_INLINE LinearRun(BinRun bins, double turns, std::size_t n) {
    constexpr std::size_t kWidth = S::kWidth;
    lanes_ = PhaseRun<Real, S::kWidth>({0.0, bins.stride}, {turns, 0.0, 0.0}, 0).next();
    PhaseRun<Real, S::kWidth> run({bins.first, bins.stride * S::kWidth}, {turns, 0.0, 0.0}, 0);
    for (std::size_t j = 0; j * kWidth < n; j += kWidth) {
      const Phasor<S> p = run.next();
      store(c_ + j, p.c);
      store(s_ + j, p.s);
    }
  }
  COHLINK_VECTOR_INLINE Phasor<S> at(std::size_t vector) const {
    const Real c = c_[vector], s = s_[vector];
    return {c * lanes_.c - s * lanes_.s, c * lanes_.s + s * lanes_.c};
  }

 private:
  Phasor<S> lanes_;
  Real c_[kLongestRun / S::kWidth + S::kWidth], s_[kLongestRun / S::kWidth + S::kWidth];
};

inline std::size_t run_length(std::size_t start, std::size_t n) {
  return n - start < kLongestRun ? n - start : kLongestRun;
}

template <class S, class Real>
COHLINK_VECTOR_INLINE void chirp(std::complex<Real>* x, std::complex<Real>* y, std::size_t n, BinRun bins,
                                 PhasePolynomial phase, double amplitude) {
  const Real a = static_cast<Real>(amplitude);
  for (std::size_t start = 0; start < n; start += kLongestRun) {
    PhaseRun<Real, S::kWidth> run(bins, phase, start);
    for_samples<S>(
        x + start, y + start,
        run_length(start, n), [&](Real * px, Real * py, std::size_t) __attribute__((always_inline)) {
          Phasor<S> h = run.next();
          h.c *= a;
          h.s *= a;
          const Factor<S> factor = spread(h);
          store_samples(px, load_samples<S>(px) * factor);
          store_samples(py, load_samples<S>(py) * factor);
        });
  }
}

template <class S, class Real>
COHLINK_VECTOR_INLINE void twiddle(std::complex<Real>* x, std::complex<Real>* y, std::size_t n,
                                   double turns) {
  for (std::size_t start = 0; start < n; start += kLongestRun) {
    const std::size_t length = run_length(start, n);
    const LinearRun<S, Real> run({static_cast<double>(start), 1.0}, turns, length);
    for_samples<S>(
        x + start, y + start,
        length, [&](Real * px, Real * py, std::size_t j) __attribute__((always_inline)) {
          const Factor<S> factor = spread(run.at(j / S::kWidth));
          store_samples(px, load_samples<S>(px) * factor);
          store_samples(py, load_samples<S>(py) * factor);
        });
  }
}

template <class S, class Real>
COHLINK_VECTOR_INLINE void section(std::complex<Real>* x, std::complex<Real>* y, std::size_t n, BinRun bins,
                                   PhasePolynomial phase, double turns, const JonesMatrix& m) {
  for (std::size_t start = 0; start < n; start += kLongestRun) {
    const std::size_t length = run_length(start, n);
    PhaseRun<Real, S::kWidth> common(bins, phase, start);
    const LinearRun<S, Real> delay({bins.first + bins.stride * static_cast<double>(start), bins.stride},
                                   turns, length);
    for_samples<S>(
        x + start, y + start,
        length, [&](Real * px, Real * py, std::size_t j) __attribute__((always_inline)) {
          const Phasor<S> h = common.next(), late = delay.at(j / S::kWidth);
          const typename S::R cc = h.c * late.c, ss = h.s * late.s, cs = h.c * late.s, sc = h.s * late.c;
          const Samples<S> sx = load_samples<S>(px) * spread<S>({cc + ss, sc - cs});
          const Samples<S> sy = load_samples<S>(py) * spread<S>({cc - ss, sc + cs});
          store_samples(px, combine<S, Real>(m.xx, sx, m.xy, sy));
          store_samples(py, combine<S, Real>(m.yx, sx, m.yy, sy));
        });
  }
}

template <class S, class Real>
COHLINK_VECTOR_INLINE void kerr(std::complex<Real>* x, std::complex<Real>* y, std::size_t n,
                                double turns_per_watt) {
  constexpr Lanes<S::kWidth> lanes{};
  const Real g = static_cast<Real>(turns_per_watt);
  for_samples<S>(
      x, y, n, [&](Real * px, Real * py, std::size_t) __attribute__((always_inline)) {
        const Samples<S> vx = load_samples<S>(px), vy = load_samples<S>(py);
        const typename S::R lower = vx.lower * vx.lower + vy.lower * vy.lower;
        const typename S::R upper = vx.upper * vx.upper + vy.upper * vy.upper;
        const typename S::R power = evens(lower, upper, lanes) + odds(lower, upper, lanes);
        const Factor<S> factor = spread(phasor_of_turns<S>(g * power, Real(0)));
        store_samples(px, vx * factor);
        store_samples(py, vy * factor);
      });
}

// v times i, for interleaved samples.
template <class S>
COHLINK_VECTOR_INLINE typename S::R times_i(const typename S::R& v) {
  constexpr Lanes<S::kWidth> lanes{};
  return swap_pairs(v, lanes) * alternating<typename S::R>(lanes);
}
// v times (c + i s).
template <class S, class Real>
COHLINK_VECTOR_INLINE typename S::R turned(const typename S::R& v, Real c, Real s) {
  return v * c + times_i<S>(v) * s;
}

// DFT of four, sign of the exponent kSign, in place.
template <class S, int kSign>
COHLINK_VECTOR_INLINE void dft4(typename S::R& a, typename S::R& b, typename S::R& c, typename S::R& d) {
  const typename S::R even = a + c, odd = a - c, sum = b + d, turn = times_i<S>(b - d);
  a = even + sum;
  c = even - sum;
  b = kSign > 0 ? odd + turn : odd - turn;
  d = kSign > 0 ? odd - turn : odd + turn;
}

// DFT of 16 = 4 x 4 registers; output q is left in place 4 (q % 4) + q / 4.
template <class S, int kSign, class Real>
COHLINK_VECTOR_INLINE void dft16(typename S::R (&x)[16]) {
  constexpr Real c1 = Real(0.92387953251128675613), s1 = Real(0.38268343236508977173) * kSign;
  constexpr Real h = Real(0.70710678118654752440), sh = h * kSign;
  dft4<S, kSign>(x[0], x[4], x[8], x[12]);
  dft4<S, kSign>(x[1], x[5], x[9], x[13]);
  dft4<S, kSign>(x[2], x[6], x[10], x[14]);
  dft4<S, kSign>(x[3], x[7], x[11], x[15]);
  // Twiddles exp(kSign 2 pi i n k/16) of column n = place % 4 and first-stage output k = place / 4.
  x[5] = turned<S>(x[5], c1, s1);
  x[9] = turned<S>(x[9], h, sh);
  x[13] = turned<S>(x[13], s1 * kSign, c1 * kSign);
  x[6] = turned<S>(x[6], h, sh);
  x[10] = kSign > 0 ? times_i<S>(x[10]) : -times_i<S>(x[10]);
  x[14] = turned<S>(x[14], -h, sh);
  x[7] = turned<S>(x[7], s1 * kSign, c1 * kSign);
  x[11] = turned<S>(x[11], -h, sh);
  x[15] = turned<S>(x[15], -c1, -s1);
  dft4<S, kSign>(x[0], x[1], x[2], x[3]);
  dft4<S, kSign>(x[4], x[5], x[6], x[7]);
  dft4<S, kSign>(x[8], x[9], x[10], x[11]);
  dft4<S, kSign>(x[12], x[13], x[14], x[15]);
}

// exp(2 pi i a c/(16 A)) for a < 16, c < A, as cosine and sine at 16 c + a.
template <class Real, int A>
struct TwiddleTable {
  Real c[16 * A], s[16 * A];
  TwiddleTable() {
    for (int i = 0; i < 16 * A; ++i) {
      const double angle = 6.2831853071795864769 * ((i / 16) * (i % 16)) / (16.0 * A);
      c[i] = static_cast<Real>(std::cos(angle));
      s[i] = static_cast<Real>(std::sin(angle));
    }
  }
};
template <class Real, int A>
const TwiddleTable<Real, A>& twiddle_table() {
  static const TwiddleTable<Real, A> table;
  return table;
}

enum class Twiddle { kNone, kBefore, kAfter };

// A column transform works on columns kWide registers wide at a time: loads 16 rows, transforms, stores 16
// rows. (Two registers are a pair of cache lines; columns of 1024 take one, or both polarisations' blocks
// would fill the second-level cache.) With a twiddle, row q is turned by (c[q] + i kSign s[q]), before or
// after.
template <class S, int kSign, int kWide, Twiddle kTwiddle = Twiddle::kNone, class Real>
COHLINK_VECTOR_INLINE void pass16(const Real* in, std::size_t in_stride, Real* out, std::size_t out_stride,
                                  const Real* c = nullptr, const Real* s = nullptr) {
  using R = typename S::R;
  for (int half = 0; half < kWide; ++half, in += S::kWidth, out += S::kWidth) {
    R x[16];
#pragma GCC unroll 16
    for (int p = 0; p < 16; ++p) {
      x[p] = load<R>(in + static_cast<std::size_t>(p) * in_stride);
      if constexpr (kTwiddle == Twiddle::kBefore) x[p] = turned<S>(x[p], c[p], Real(kSign) * s[p]);
    }
    dft16<S, kSign, Real>(x);
#pragma GCC unroll 16
    for (int q = 0; q < 16; ++q) {
      R y = x[4 * (q % 4) + q / 4];
      if constexpr (kTwiddle == Twiddle::kAfter) y = turned<S>(y, c[q], Real(kSign) * s[q]);
      store(out + static_cast<std::size_t>(q) * out_stride, y);
    }
  }
}

template <class S, int kSign, int kWide, class Real>
COHLINK_VECTOR_INLINE void pass4(const Real* in, std::size_t in_stride, Real* out, std::size_t out_stride) {
  using R = typename S::R;
  for (int half = 0; half < kWide; ++half, in += S::kWidth, out += S::kWidth) {
    R x[4];
    for (std::size_t p = 0; p < 4; ++p) x[p] = load<R>(in + p * in_stride);
    dft4<S, kSign>(x[0], x[1], x[2], x[3]);
    for (std::size_t p = 0; p < 4; ++p) store(out + p * out_stride, x[p]);
  }
}

// DFT of A rows, in order. `spare` holds A rows of two registers.
template <class S, int A, int kSign, int kWide, class Real>
COHLINK_VECTOR_INLINE void inner(const Real* in, std::size_t in_stride, Real* out, std::size_t out_stride,
                                 Real* spare) {
  static_assert(A == 4 || A == 16 || A == 64);
  if constexpr (A == 4) pass4<S, kSign, kWide>(in, in_stride, out, out_stride);
  if constexpr (A == 16) pass16<S, kSign, kWide>(in, in_stride, out, out_stride);
  if constexpr (A == 64) {
    // 64 = 4 x 16: rows i + 4 j over j to q, a twiddle i q/64, then over i to q + 16 p.
    constexpr std::size_t kRow = kWide * S::kWidth;
    const TwiddleTable<Real, 4>& table = twiddle_table<Real, 4>();
    for (std::size_t i = 0; i < 4; ++i)
      pass16<S, kSign, kWide, Twiddle::kAfter>(in + i * in_stride, 4 * in_stride, spare + 16 * i * kRow, kRow,
                                               table.c + 16 * i, table.s + 16 * i);
    for (std::size_t q = 0; q < 16; ++q)
      pass4<S, kSign, kWide>(spare + q * kRow, 16 * kRow, out + q * out_stride, 16 * out_stride);
  }
}

// Asks for the next columns of 16 rows while these are being worked on: no hardware prefetcher sees the
// pattern, and a long field would wait for memory at every row. Past the end of a row it touches the padding
// or the next row, which is harmless.
template <class S, int kWide, class Real>
COHLINK_VECTOR_INLINE void prefetch_next(const Real* rows, std::size_t stride) {
  for (int p = 0; p < 16; ++p) {
    const Real* next = rows + static_cast<std::size_t>(p) * stride + kWide * S::kWidth;
    for (int w = 0; w < kWide; ++w) __builtin_prefetch(next + w * S::kWidth, 1, 2);
  }
}

// Columns of 16 A rows, forward: rows a0 + 16 a1 are transformed over a1 to c1 (inner), turned by
// exp(-2 pi i a0 c1/(16 A)) and transformed over a0 to c0, row 16 c1 + c0 (outer). The inverse goes back step
// by step. `block` holds the columns being worked on, rows of two registers.
template <class S, int A, int kWide, class Real>
COHLINK_VECTOR_INLINE void outer_inverse(const Real* field, std::size_t stride, Real* block) {
  constexpr std::size_t kRow = kWide * S::kWidth;
  const TwiddleTable<Real, A>& table = twiddle_table<Real, A>();
  for (std::size_t r = 0; r < 16 * A; r += 16) {
    prefetch_next<S, kWide>(field + r * stride, stride);
    pass16<S, 1, kWide, Twiddle::kAfter>(field + r * stride, stride, block + r * kRow, kRow, table.c + r,
                                         table.s + r);
  }
}
template <class S, int A, int kWide, class Real>
COHLINK_VECTOR_INLINE void outer_forward(const Real* block, Real* field, std::size_t stride) {
  constexpr std::size_t kRow = kWide * S::kWidth;
  const TwiddleTable<Real, A>& table = twiddle_table<Real, A>();
  for (std::size_t r = 0; r < 16 * A; r += 16)
    pass16<S, -1, kWide, Twiddle::kBefore>(block + r * kRow, kRow, field + r * stride, stride, table.c + r,
                                           table.s + r);
}

template <class S, int A, int kWide, class Real>
COHLINK_VECTOR_INLINE void kerr_tall(std::complex<Real>* xc, std::complex<Real>* yc, std::size_t stride,
                                     std::size_t n, double turns_per_watt) {
  constexpr std::size_t kRow = kWide * S::kWidth, kRows = A;
  alignas(64) Real block[2][16 * kRows * kRow], small[2][kRows * kRow], spare[kRows * kRow];
  for (std::size_t j = 0; j < n; j += kWide * S::kWidth / 2) {
    Real* const field[2] = {reinterpret_cast<Real*>(xc + j), reinterpret_cast<Real*>(yc + j)};
    for (int pol = 0; pol < 2; ++pol) outer_inverse<S, A, kWide>(field[pol], 2 * stride, block[pol]);
    for (std::size_t a0 = 0; a0 < 16; ++a0) {
      for (int pol = 0; pol < 2; ++pol)
        inner<S, A, 1, kWide>(block[pol] + a0 * kRow, 16 * kRow, small[pol], kRow, spare);
      kerr<S, Real>(reinterpret_cast<std::complex<Real>*>(small[0]),
                    reinterpret_cast<std::complex<Real>*>(small[1]), kRows * kRow / 2, turns_per_watt);
      for (int pol = 0; pol < 2; ++pol)
        inner<S, A, -1, kWide>(small[pol], kRow, block[pol] + a0 * kRow, 16 * kRow, spare);
    }
    for (int pol = 0; pol < 2; ++pol) outer_forward<S, A, kWide>(block[pol], field[pol], 2 * stride);
  }
}

template <class S, int A, int kWide, class Real>
COHLINK_VECTOR_INLINE void columns_tall(std::complex<Real>* xc, std::size_t stride, std::size_t n,
                                        bool inverse) {
  constexpr std::size_t kRow = kWide * S::kWidth, kRows = A;
  alignas(64) Real block[16 * kRows * kRow], spare[kRows * kRow];
  const std::size_t row = 2 * stride;
  for (std::size_t j = 0; j < n; j += kWide * S::kWidth / 2) {
    Real* field = reinterpret_cast<Real*>(xc + j);
    if (inverse) outer_inverse<S, A, kWide>(field, row, block);
    for (std::size_t a0 = 0; a0 < 16; ++a0) {
      if (inverse)
        inner<S, A, 1, kWide>(block + a0 * kRow, 16 * kRow, field + a0 * row, 16 * row, spare);
      else
        inner<S, A, -1, kWide>(field + a0 * row, 16 * row, block + a0 * kRow, 16 * kRow, spare);
    }
    if (!inverse) outer_forward<S, A, kWide>(block, field, row);
  }
}

// Columns of 16 need no second digit.
template <class S, class Real>
COHLINK_VECTOR_INLINE void kerr_16(std::complex<Real>* xc, std::complex<Real>* yc, std::size_t stride,
                                   std::size_t n, double turns_per_watt) {
  constexpr std::size_t kRow = 2 * S::kWidth;
  alignas(64) Real small[2][16 * kRow];
  for (std::size_t j = 0; j < n; j += S::kWidth) {
    Real* const field[2] = {reinterpret_cast<Real*>(xc + j), reinterpret_cast<Real*>(yc + j)};
    for (int pol = 0; pol < 2; ++pol) pass16<S, 1, 2>(field[pol], 2 * stride, small[pol], kRow);
    kerr<S, Real>(reinterpret_cast<std::complex<Real>*>(small[0]),
                  reinterpret_cast<std::complex<Real>*>(small[1]), 16 * S::kWidth, turns_per_watt);
    for (int pol = 0; pol < 2; ++pol) pass16<S, -1, 2>(small[pol], kRow, field[pol], 2 * stride);
  }
}
template <class S, class Real>
COHLINK_VECTOR_INLINE void columns_16(std::complex<Real>* xc, std::size_t stride, std::size_t n,
                                      bool inverse) {
  for (std::size_t j = 0; j < n; j += S::kWidth) {
    Real* field = reinterpret_cast<Real*>(xc + j);
    if (inverse)
      pass16<S, 1, 2>(field, 2 * stride, field, 2 * stride);
    else
      pass16<S, -1, 2>(field, 2 * stride, field, 2 * stride);
  }
}

template <class S, class Real>
COHLINK_VECTOR_INLINE void kerr_columns(std::complex<Real>* x, std::complex<Real>* y, std::size_t rows,
                                        std::size_t stride, std::size_t n, double turns_per_watt) {
  if (rows == 16) kerr_16<S, Real>(x, y, stride, n, turns_per_watt);
  if (rows == 64) kerr_tall<S, 4, 2, Real>(x, y, stride, n, turns_per_watt);
  if (rows == 256) kerr_tall<S, 16, 2, Real>(x, y, stride, n, turns_per_watt);
  if (rows == 1024) kerr_tall<S, 64, 1, Real>(x, y, stride, n, turns_per_watt);
}
template <class S, class Real>
COHLINK_VECTOR_INLINE void columns(std::complex<Real>* x, std::size_t rows, std::size_t stride, std::size_t n,
                                   bool inverse) {
  if (rows == 16) columns_16<S, Real>(x, stride, n, inverse);
  if (rows == 64) columns_tall<S, 4, 2, Real>(x, stride, n, inverse);
  if (rows == 256) columns_tall<S, 16, 2, Real>(x, stride, n, inverse);
  if (rows == 1024) columns_tall<S, 64, 1, Real>(x, stride, n, inverse);
}

// The loops above, inlined into functions compiled for one instruction set with registers of BYTES bytes.
#define COHLINK_VERSION(NAME, TARGET, BYTES)                                                                 \
  template <class Real>                                                                                      \
  struct NAME {                                                                                              \
    using C = std::complex<Real>;                                                                            \
    using S = Shape<Real, BYTES / sizeof(Real)>;                                                             \
    TARGET static void chirp_(C* x, C* y, std::size_t n, BinRun b, PhasePolynomial p, double a) {            \
      chirp<S, Real>(x, y, n, b, p, a);                                                                      \
    }                                                                                                        \
    TARGET static void twiddle_(C* x, C* y, std::size_t n, double t) { twiddle<S, Real>(x, y, n, t); }       \
    TARGET static void section_(C* x, C* y, std::size_t n, BinRun b, PhasePolynomial p, double t,            \
                                const JonesMatrix& m) {                                                      \
      section<S, Real>(x, y, n, b, p, t, m);                                                                 \
    }                                                                                                        \
    TARGET static void kerr_(C* x, C* y, std::size_t n, double g) { kerr<S, Real>(x, y, n, g); }             \
    TARGET static void kerr_columns_(C* x, C* y, std::size_t rows, std::size_t d, std::size_t n, double g) { \
      kerr_columns<S, Real>(x, y, rows, d, n, g);                                                            \
    }                                                                                                        \
    TARGET static void columns_(C* x, std::size_t rows, std::size_t d, std::size_t n, bool inverse) {        \
      columns<S, Real>(x, rows, d, n, inverse);                                                              \
    }                                                                                                        \
    static constexpr Kernels<Real> kTable{chirp_, twiddle_, section_, kerr_, kerr_columns_, columns_};       \
  };

COHLINK_VERSION(Portable, , 16)
#if COHLINK_X86
COHLINK_VERSION(Avx2, COHLINK_AVX2, 32)
COHLINK_VERSION(Avx512, COHLINK_AVX512, 64)
#endif

}  // namespace

const char* best_kernels_name() { return has_avx512() ? "avx512" : has_avx2() ? "avx2" : "portable"; }

template <class Real>
const Kernels<Real>* named_kernels(const char* name) {
  const std::string_view wanted(name);
#if COHLINK_X86
  if (wanted == "avx512") return has_avx512() ? &Avx512<Real>::kTable : nullptr;
  if (wanted == "avx2") return has_avx2() ? &Avx2<Real>::kTable : nullptr;
#endif
  return wanted == "portable" ? &Portable<Real>::kTable : nullptr;
}

template <class Real>
const Kernels<Real>& best_kernels() {
  static const Kernels<Real>& best = *named_kernels<Real>(best_kernels_name());
  return best;
}

template const Kernels<float>* named_kernels<float>(const char*);
template const Kernels<double>* named_kernels<double>(const char*);
template const Kernels<float>& best_kernels<float>();
template const Kernels<double>& best_kernels<double>();

}  // namespace cohlink::kernels
