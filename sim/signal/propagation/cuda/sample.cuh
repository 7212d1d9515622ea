// Arithmetic of the device code on samples of both polarisations.
#pragma once

#include <cstdint>
#include <type_traits>

#include "sim/signal/propagation/cuda/arguments.h"

#define COHLINK_DEVICE __device__ __forceinline__

namespace cohlink::cuda {

/// What a thread holds of a sample: both polarisations, or, split, x (even threads) or y (odd), whose
/// neighbour holds the other. In double precision these are pieces of 16 bytes: neighbours' lie side by side,
/// so that no bank of shared memory is asked twice, and sixteen fit into a thread's registers.
template <class Real, bool kSplit>
using Piece = std::conditional_t<kSplit, Phasor<Real>, Sample<Real>>;
COHLINK_DEVICE bool holds_y() { return threadIdx.x % 2 != 0; }

template <class Real>
COHLINK_DEVICE Sample<Real> operator+(Sample<Real> p, Sample<Real> q) {
  return {p.xr + q.xr, p.xi + q.xi, p.yr + q.yr, p.yi + q.yi};
}
template <class Real>
COHLINK_DEVICE Sample<Real> operator-(Sample<Real> p, Sample<Real> q) {
  return {p.xr - q.xr, p.xi - q.xi, p.yr - q.yr, p.yi - q.yi};
}
template <class Real>
COHLINK_DEVICE Sample<Real> operator*(Real a, Sample<Real> p) {
  return {a * p.xr, a * p.xi, a * p.yr, a * p.yi};
}
template <class Real>
COHLINK_DEVICE Phasor<Real> operator*(Real a, Phasor<Real> w) {
  return {a * w.c, a * w.s};
}
template <class Real>
COHLINK_DEVICE Phasor<Real> operator*(Phasor<Real> p, Phasor<Real> q) {
  return {p.c * q.c - p.s * q.s, p.c * q.s + p.s * q.c};
}
template <class Real>
COHLINK_DEVICE Phasor<Real> operator+(Phasor<Real> p, Phasor<Real> q) {
  return {p.c + q.c, p.s + q.s};
}
template <class Real>
COHLINK_DEVICE Phasor<Real> operator-(Phasor<Real> p, Phasor<Real> q) {
  return {p.c - q.c, p.s - q.s};
}
template <class Real>
COHLINK_DEVICE Sample<Real> operator*(Sample<Real> p, Phasor<Real> w) {
  return {p.xr * w.c - p.xi * w.s, p.xr * w.s + p.xi * w.c, p.yr * w.c - p.yi * w.s, p.yr * w.s + p.yi * w.c};
}
template <class Real>
COHLINK_DEVICE Phasor<Real> conjugate(Phasor<Real> w) {
  return {w.c, -w.s};
}
/// a + w b in eight fused operations.
template <class Real>
COHLINK_DEVICE Sample<Real> add_product(Sample<Real> a, Phasor<Real> w, Sample<Real> b) {
  return {fma(w.c, b.xr, fma(-w.s, b.xi, a.xr)), fma(w.c, b.xi, fma(w.s, b.xr, a.xi)),
          fma(w.c, b.yr, fma(-w.s, b.yi, a.yr)), fma(w.c, b.yi, fma(w.s, b.yr, a.yi))};
}
template <class Real>
COHLINK_DEVICE Phasor<Real> add_product(Phasor<Real> a, Phasor<Real> w, Phasor<Real> b) {
  return {fma(w.c, b.c, fma(-w.s, b.s, a.c)), fma(w.c, b.s, fma(w.s, b.c, a.s))};
}
/// 2 a - x.
template <class Real>
COHLINK_DEVICE Sample<Real> reflect(Sample<Real> a, Sample<Real> x) {
  const Real two = 2;
  return {fma(two, a.xr, -x.xr), fma(two, a.xi, -x.xi), fma(two, a.yr, -x.yr), fma(two, a.yi, -x.yi)};
}
template <class Real>
COHLINK_DEVICE Phasor<Real> reflect(Phasor<Real> a, Phasor<Real> x) {
  const Real two = 2;
  return {fma(two, a.c, -x.c), fma(two, a.s, -x.s)};
}
/// kSign i times it.
template <int kSign, class Real>
COHLINK_DEVICE Sample<Real> times_i(Sample<Real> p) {
  return kSign > 0 ? Sample<Real>{-p.xi, p.xr, -p.yi, p.yr} : Sample<Real>{p.xi, -p.xr, p.yi, -p.yr};
}
template <int kSign, class Real>
COHLINK_DEVICE Phasor<Real> times_i(Phasor<Real> p) {
  return kSign > 0 ? Phasor<Real>{-p.s, p.c} : Phasor<Real>{p.s, -p.c};
}
/// Of the thread that holds the other polarisation.
template <class Real>
COHLINK_DEVICE Real neighbours(Real x) {
  return __shfl_xor_sync(0xffffffffu, x, 1);
}
template <class Real>
COHLINK_DEVICE Phasor<Real> neighbours(Phasor<Real> p) {
  return {neighbours(p.c), neighbours(p.s)};
}
template <class Real>
COHLINK_DEVICE Real power(Sample<Real> p) {
  return fma(p.xr, p.xr, fma(p.xi, p.xi, fma(p.yr, p.yr, p.yi * p.yi)));
}

template <class Real>
COHLINK_DEVICE Real power(Phasor<Real> p) {
  return fma(p.c, p.c, p.s * p.s);
}

// Fields live in the L2 cache from one pass to the next; the first-level cache would hold stale lines. Of a
// line that has to come from memory all 128 bytes come: the rest is what the block beside is about to ask
// for.
COHLINK_DEVICE Sample<float> load(const Sample<float>* p) {
  Sample<float> q;
  asm volatile("ld.global.cg.L2::128B.v4.f32 {%0, %1, %2, %3}, [%4];"
               : "=f"(q.xr), "=f"(q.xi), "=f"(q.yr), "=f"(q.yi)
               : "l"(p)
               : "memory");
  return q;
}
COHLINK_DEVICE Phasor<float> load(const Phasor<float>* p) {
  const float2 q = __ldcg(reinterpret_cast<const float2*>(p));
  return {q.x, q.y};
}
COHLINK_DEVICE Phasor<double> load(const Phasor<double>* p) {
  Phasor<double> q;
  asm volatile("ld.global.cg.L2::128B.v2.f64 {%0, %1}, [%2];" : "=d"(q.c), "=d"(q.s) : "l"(p) : "memory");
  return q;
}
COHLINK_DEVICE Sample<double> load(const Sample<double>* p) {
  const auto* q = reinterpret_cast<const Phasor<double>*>(p);
  const Phasor<double> x = load(q), y = load(q + 1);
  return {x.c, x.s, y.c, y.s};
}
COHLINK_DEVICE void store(Sample<float>* p, Sample<float> v) {
  __stcg(reinterpret_cast<float4*>(p), float4{v.xr, v.xi, v.yr, v.yi});
}
COHLINK_DEVICE void store(Phasor<float>* p, Phasor<float> v) {
  __stcg(reinterpret_cast<float2*>(p), float2{v.c, v.s});
}
COHLINK_DEVICE void store(Phasor<double>* p, Phasor<double> v) {
  __stcg(reinterpret_cast<double2*>(p), double2{v.c, v.s});
}
COHLINK_DEVICE void store(Sample<double>* p, Sample<double> v) {
  auto* q = reinterpret_cast<Phasor<double>*>(p);
  store(q, Phasor<double>{v.xr, v.xi});
  store(q + 1, Phasor<double>{v.yr, v.yi});
}

// cos and sin of 2 pi r for |r| <= 1/4, the CPU engine's minimax polynomials (cpu/kernels.cpp).
COHLINK_DEVICE Phasor<float> reduced_phasor(float r) {
  const float u = r * r;
  float s = 39.710918377491423099f, c = -24.98223780380393265f;
  s = fmaf(s, u, -76.574992216429606423f);
  c = fmaf(c, u, 60.144015109846320424f);
  s = fmaf(s, u, 81.602231244387576435f);
  c = fmaf(c, u, -85.453571628972341543f);
  s = fmaf(s, u, -41.341677478419987033f);
  c = fmaf(c, u, 64.939346629573449695f);
  s = fmaf(s, u, 6.283185273790867718f);
  c = fmaf(c, u, -19.739208548914637264f);
  c = fmaf(c, u, 0.9999999997806539867f);
  return {c, s * r};
}
COHLINK_DEVICE Phasor<double> reduced_phasor(double r) {
  const double u = r * r;
  double s = 0.10085633036793827674, c = 0.27194764168888100745;
  s = fma(s, u, -0.71772358005240099238);
  c = fma(c, u, -1.7132188587830573307);
  s = fma(s, u, 3.8199270504679103805);
  c = fma(c, u, 7.9034625375975839655);
  s = fma(s, u, -15.094641620509320134);
  c = fma(c, u, -26.426254069097419304);
  s = fma(s, u, 42.058693923785214191);
  c = fma(c, u, 60.244641313230941315);
  s = fma(s, u, -76.705859752798497043);
  c = fma(c, u, -85.456817205981736187);
  s = fma(s, u, 81.605249276073406089);
  c = fma(c, u, 64.93939402266396076);
  s = fma(s, u, -41.341702240399756229);
  c = fma(c, u, -19.739208802178707095);
  s = fma(s, u, 6.2831853071795864753);
  c = fma(c, u, 0.99999999999999999609);
  return {c, s * r};
}
COHLINK_DEVICE float with_sign(float x, std::uint32_t sign) {
  return __uint_as_float(__float_as_uint(x) ^ sign);
}
COHLINK_DEVICE double with_sign(double x, std::uint32_t sign) {
  return __longlong_as_double(__double_as_longlong(x) ^ static_cast<long long>(sign) << 32);
}
template <class Real>
COHLINK_DEVICE Phasor<Real> with_sign(Phasor<Real> w, std::uint32_t sign) {
  return {with_sign(w.c, sign), with_sign(w.s, sign)};
}
/// exp(2 pi i a b), a b turns of any moderate size: half turns, which change both signs, and a rest. Adding
/// 1.5 x 2^(mantissa bits - 1) rounds to a multiple of one half.
COHLINK_DEVICE Phasor<float> phasor_of_turns(float a, float b) {
  const float shifted = fmaf(a, b, 0x1.8p22f);
  return with_sign(reduced_phasor(fmaf(a, b, 0x1.8p22f - shifted)), __float_as_uint(shifted) << 31);
}
COHLINK_DEVICE Phasor<double> phasor_of_turns(double a, double b) {
  const double shifted = fma(a, b, 0x1.8p51);
  return with_sign(reduced_phasor(fma(a, b, 0x1.8p51 - shifted)),
                   static_cast<std::uint32_t>(__double2loint(shifted)) << 31);
}
/// amplitude exp(2 pi i t) for a phase that only double precision can carry, |t| < 2^19.
COHLINK_DEVICE Phasor<double> phasor_of_long_phase(double t, double amplitude) {
  const double shifted = t + 0x1.8p51;
  const auto half_turns = static_cast<std::uint32_t>(__double2loint(shifted));
  return with_sign(amplitude, half_turns << 31) * reduced_phasor(t + (0x1.8p51 - shifted));
}
COHLINK_DEVICE Phasor<float> phasor_of_long_phase(double t, float amplitude) {
  // The sum leaves the fraction of a turn in the low 32 bits.
  const auto phase = static_cast<std::uint32_t>(__double2loint(t + 0x1.8p20));
  const std::uint32_t doubled = phase << 1;
  return with_sign(amplitude, (phase ^ doubled) & 0x80000000u) *
         reduced_phasor(static_cast<float>(static_cast<std::int32_t>(doubled)) * 0x1p-33f);
}
/// exp(2 pi i a/2^log_b), |a| <= 2^24 and of a few turns at most: exact up to the phasor.
template <class Real>
COHLINK_DEVICE Phasor<Real> root(int a, int log_b) {
  if constexpr (std::is_same_v<Real, float>)
    return phasor_of_turns(static_cast<float>(a), __int_as_float((127 - log_b) << 23));
  else
    return phasor_of_turns(static_cast<double>(a), __hiloint2double((1023 - log_b) << 20, 0));
}

}  // namespace cohlink::cuda
