// Inner loops over samples side by side: phasors of a run of bins, dispersion, PMD sections, Kerr rotation.
// See kernels.h for what each does and lanes.h for how it is compiled.
#pragma once

#include <cmath>
#include <complex>
#include <cstdint>
#include <cstring>

#include "sim/signal/propagation/cpu/kernels.h"
#include "sim/signal/propagation/cpu/lanes.h"
#include "sim/signal/sine_series.h"

namespace cohlink::kernels {

using vectors::cosine_series;
using vectors::sine_series;

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

}  // namespace cohlink::kernels
