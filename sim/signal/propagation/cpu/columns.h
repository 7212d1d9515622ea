// Column transforms of the two-pass layout: DFTs of 16 to 1024 rows, alone and around a Kerr rotation. See
// kernels.h for what each does and lanes.h for how it is compiled.
#pragma once

#include <cmath>
#include <complex>
#include <cstddef>

#include "sim/signal/propagation/cpu/kernels.h"
#include "sim/signal/propagation/cpu/lanes.h"
#include "sim/signal/propagation/cpu/pointwise.h"

namespace cohlink::kernels {

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

}  // namespace cohlink::kernels
