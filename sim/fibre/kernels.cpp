#include "sim/fibre/kernels.h"

#include <bit>
#include <cstdint>
#include <cstring>
#include <string_view>

#if defined(__x86_64__) && defined(__GNUC__)
#define COHLINK_X86 1
#else
#define COHLINK_X86 0
#endif

#define COHLINK_INLINE inline __attribute__((always_inline))

namespace cohlink::kernels {
namespace {

// sin(2 pi r)/r and cos(2 pi r) as polynomials in u = r^2 for |r| <= 1/4, minimax by the Remez exchange.
// Errors: single 5e-9 (relative) and 2e-10, double 3e-19 and 4e-18, all below the type's own rounding.
COHLINK_INLINE float sine_series(float u) {
  return 6.283185273790867718f +
         u * (-41.341677478419987033f +
              u * (81.602231244387576435f + u * (-76.574992216429606423f + u * 39.710918377491423099f)));
}
COHLINK_INLINE float cosine_series(float u) {
  return 0.9999999997806539867f +
         u * (-19.739208548914637264f +
              u * (64.939346629573449695f +
                   u * (-85.453571628972341543f + u * (60.144015109846320424f + u * -24.98223780380393265f))));
}
COHLINK_INLINE double sine_series(double u) {
  return 6.2831853071795864753 +
         u * (-41.341702240399756229 +
              u * (81.605249276073406089 +
                   u * (-76.705859752798497043 +
                        u * (42.058693923785214191 +
                             u * (-15.094641620509320134 +
                                  u * (3.8199270504679103805 +
                                       u * (-0.71772358005240099238 + u * 0.10085633036793827674)))))));
}
COHLINK_INLINE double cosine_series(double u) {
  return 0.99999999999999999609 +
         u * (-19.739208802178707095 +
              u * (64.93939402266396076 +
                   u * (-85.456817205981736187 +
                        u * (60.244641313230941315 +
                             u * (-26.426254069097419304 +
                                  u * (7.9034625375975839655 +
                                       u * (-1.7132188587830573307 + u * 0.27194764168888100745)))))));
}

// Constants of rounding by addition: 1.5 x 2^(mantissa bits) pushes the fraction out, and leaves the integer's
// lowest bit in the lowest bit of the pattern.
template <class Real>
struct Bits;
template <>
struct Bits<float> {
  using Word = std::uint32_t;
  static constexpr float kRounder = 0x1.8p23f;
  static constexpr int kSign = 31;
};
template <>
struct Bits<double> {
  using Word = std::uint64_t;
  static constexpr double kRounder = 0x1.8p52;
  static constexpr int kSign = 63;
};

// cos and sin of 2 pi t. t = m/2 + r with |r| <= 1/4, and half a turn only changes both signs.
template <class Real>
COHLINK_INLINE void cosine_sine(Real t, Real& c, Real& s) {
  using Word = typename Bits<Real>::Word;
  const Real shifted = t + t + Bits<Real>::kRounder;
  const Real r = t - Real(0.5) * (shifted - Bits<Real>::kRounder);
  const Word sign = std::bit_cast<Word>(shifted) << Bits<Real>::kSign;
  const Real u = r * r;
  c = std::bit_cast<Real>(std::bit_cast<Word>(cosine_series(u)) ^ sign);
  s = std::bit_cast<Real>(std::bit_cast<Word>(r * sine_series(u)) ^ sign);
}

// Phase of bin j in turns, its whole turns removed in double.
template <class Real>
COHLINK_INLINE Real reduced_phase(BinRun bins, PhasePolynomial p, std::size_t j) {
  const double k = bins.first + bins.stride * static_cast<double>(static_cast<std::int32_t>(j));
  const double t = k * (p.p1 + k * (p.p2 + k * p.p3));
  return static_cast<Real>(t - ((t + Bits<double>::kRounder) - Bits<double>::kRounder));
}

template <class Real>
COHLINK_INLINE void chirp(std::complex<Real>* xc, std::complex<Real>* yc, std::size_t n, BinRun bins,
                          PhasePolynomial phase, double amplitude) {
  Real* __restrict x = reinterpret_cast<Real*>(xc);
  Real* __restrict y = reinterpret_cast<Real*>(yc);
  const Real a = static_cast<Real>(amplitude);
  for (std::size_t j = 0; j < n; ++j) {
    Real c, s;
    cosine_sine(reduced_phase<Real>(bins, phase, j), c, s);
    c *= a;
    s *= a;
    const Real xr = x[2 * j], xi = x[2 * j + 1], yr = y[2 * j], yi = y[2 * j + 1];
    x[2 * j] = xr * c - xi * s;
    x[2 * j + 1] = xr * s + xi * c;
    y[2 * j] = yr * c - yi * s;
    y[2 * j + 1] = yr * s + yi * c;
  }
}

template <class Real>
COHLINK_INLINE void section(std::complex<Real>* xc, std::complex<Real>* yc, std::size_t n, BinRun bins, double turns,
                            const JonesMatrix& m) {
  Real* __restrict x = reinterpret_cast<Real*>(xc);
  Real* __restrict y = reinterpret_cast<Real*>(yc);
  const Real ar = static_cast<Real>(m.xx.real()), ai = static_cast<Real>(m.xx.imag());
  const Real br = static_cast<Real>(m.xy.real()), bi = static_cast<Real>(m.xy.imag());
  const Real cr = static_cast<Real>(m.yx.real()), ci = static_cast<Real>(m.yx.imag());
  const Real dr = static_cast<Real>(m.yy.real()), di = static_cast<Real>(m.yy.imag());
  const PhasePolynomial phase{turns, 0.0, 0.0};
  for (std::size_t j = 0; j < n; ++j) {
    Real c, s;
    cosine_sine(reduced_phase<Real>(bins, phase, j), c, s);
    const Real xr = x[2 * j] * c + x[2 * j + 1] * s, xi = x[2 * j + 1] * c - x[2 * j] * s;
    const Real yr = y[2 * j] * c - y[2 * j + 1] * s, yi = y[2 * j + 1] * c + y[2 * j] * s;
    x[2 * j] = ar * xr - ai * xi + br * yr - bi * yi;
    x[2 * j + 1] = ar * xi + ai * xr + br * yi + bi * yr;
    y[2 * j] = cr * xr - ci * xi + dr * yr - di * yi;
    y[2 * j + 1] = cr * xi + ci * xr + dr * yi + di * yr;
  }
}

template <class Real>
COHLINK_INLINE void kerr(std::complex<Real>* xc, std::complex<Real>* yc, std::size_t n, double turns_per_watt) {
  Real* __restrict x = reinterpret_cast<Real*>(xc);
  Real* __restrict y = reinterpret_cast<Real*>(yc);
  const Real g = static_cast<Real>(turns_per_watt);
  for (std::size_t j = 0; j < n; ++j) {
    const Real xr = x[2 * j], xi = x[2 * j + 1], yr = y[2 * j], yi = y[2 * j + 1];
    Real c, s;
    cosine_sine(g * (xr * xr + xi * xi + yr * yr + yi * yi), c, s);
    x[2 * j] = xr * c - xi * s;
    x[2 * j + 1] = xr * s + xi * c;
    y[2 * j] = yr * c - yi * s;
    y[2 * j + 1] = yr * s + yi * c;
  }
}

template <class Real>
COHLINK_INLINE void phasors(std::complex<Real>* wc, std::size_t n, BinRun bins, PhasePolynomial phase) {
  Real* __restrict w = reinterpret_cast<Real*>(wc);
  for (std::size_t j = 0; j < n; ++j) {
    Real c, s;
    cosine_sine(reduced_phase<Real>(bins, phase, j), c, s);
    w[2 * j] = c;
    w[2 * j + 1] = s;
  }
}

// `sign` = +1: x *= w; -1: x *= conj(w).
template <class Real>
COHLINK_INLINE void multiply(std::complex<Real>* xc, const std::complex<Real>* wc, std::size_t n, Real sign) {
  Real* __restrict x = reinterpret_cast<Real*>(xc);
  const Real* __restrict w = reinterpret_cast<const Real*>(wc);
  for (std::size_t j = 0; j < n; ++j) {
    const Real c = w[2 * j], s = sign * w[2 * j + 1], xr = x[2 * j], xi = x[2 * j + 1];
    x[2 * j] = xr * c - xi * s;
    x[2 * j + 1] = xr * s + xi * c;
  }
}

// The loops above, inlined into functions compiled for one instruction set.
#define COHLINK_VERSION(NAME, TARGET)                                                                             \
  template <class Real>                                                                                           \
  struct NAME {                                                                                                   \
    using C = std::complex<Real>;                                                                                 \
    TARGET static void chirp_(C* x, C* y, std::size_t n, BinRun b, PhasePolynomial p, double a) {                 \
      chirp<Real>(x, y, n, b, p, a);                                                                              \
    }                                                                                                             \
    TARGET static void section_(C* x, C* y, std::size_t n, BinRun b, double t, const JonesMatrix& m) {            \
      section<Real>(x, y, n, b, t, m);                                                                            \
    }                                                                                                             \
    TARGET static void kerr_(C* x, C* y, std::size_t n, double g) { kerr<Real>(x, y, n, g); }                     \
    TARGET static void phasors_(C* w, std::size_t n, BinRun b, PhasePolynomial p) { phasors<Real>(w, n, b, p); }  \
    TARGET static void multiply_(C* x, const C* w, std::size_t n) { multiply<Real>(x, w, n, Real(1)); }           \
    TARGET static void conjugate_(C* x, const C* w, std::size_t n) { multiply<Real>(x, w, n, Real(-1)); }         \
    static constexpr Kernels<Real> kTable{chirp_, section_, kerr_, phasors_, multiply_, conjugate_};              \
  };

COHLINK_VERSION(Portable, )
#if COHLINK_X86
COHLINK_VERSION(Avx2, __attribute__((target("avx2,fma"))))
COHLINK_VERSION(Avx512, __attribute__((target("avx512f,avx512dq,avx512vl,avx512bw,fma,prefer-vector-width=512"))))
#endif

bool has_avx512() {
#if COHLINK_X86
  return __builtin_cpu_supports("avx512f") && __builtin_cpu_supports("avx512dq") &&
         __builtin_cpu_supports("avx512vl") && __builtin_cpu_supports("avx512bw") && __builtin_cpu_supports("fma");
#else
  return false;
#endif
}

bool has_avx2() {
#if COHLINK_X86
  return __builtin_cpu_supports("avx2") && __builtin_cpu_supports("fma");
#else
  return false;
#endif
}

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
