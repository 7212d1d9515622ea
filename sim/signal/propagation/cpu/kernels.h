// Pointwise inner loops of the fast engine, each in a portable, an AVX2 and an AVX-512 version picked once at
// run time. Rows are interleaved complex samples; x and y must not overlap.
#pragma once

#include <complex>
#include <cstddef>

#include "sim/signal/propagation/jones.h"

namespace cohlink::kernels {

/// A run of equally spaced FFT bins: sample j has the signed index first + stride j.
struct BinRun {
  double first = 0.0;
  double stride = 1.0;
};

/// Phase in turns as a polynomial of the bin index k: k (p1 + k (p2 + k p3)). Single precision would lose the
/// phase of a long step, so the single-precision loops carry it as a 64-bit binary fraction of a turn, which
/// wraps by itself and steps exactly by differences; the double-precision loops evaluate the polynomial.
struct PhasePolynomial {
  double p1 = 0.0, p2 = 0.0, p3 = 0.0;
};

template <class Real>
struct Kernels {
  using Complex = std::complex<Real>;
  /// (x, y) *= amplitude exp(2 pi i phase(k)).
  void (*chirp)(Complex* x, Complex* y, std::size_t n, BinRun bins, PhasePolynomial phase, double amplitude);
  /// Sample j of both is multiplied by exp(2 pi i j turns).
  void (*twiddle)(Complex* x, Complex* y, std::size_t n, double turns);
  /// (x, y) -> exp(2 pi i phase(k)) rotation . diag(exp(-2 pi i k turns), exp(+2 pi i k turns)) (x, y).
  void (*section)(Complex* x, Complex* y, std::size_t n, BinRun bins, PhasePolynomial phase, double turns,
                  const JonesMatrix& rotation);
  /// (x, y) *= exp(2 pi i turns_per_watt (|x|^2 + |y|^2)).
  void (*kerr)(Complex* x, Complex* y, std::size_t n, double turns_per_watt);

  // Column passes of the two-pass layout (layout.h): unscaled DFTs, in place, of `rows` rows (16, 64, 256 or
  // 1024), `stride` samples apart, on `n` columns side by side (a multiple of 16). Transformed row 16 c1 + c0
  // (c0 < 16) holds output c1 + (rows/16) c0.
  /// Inverse, Kerr rotation of both polarisations, forward, in one visit to memory.
  void (*kerr_columns)(Complex* x, Complex* y, std::size_t rows, std::size_t stride, std::size_t n,
                       double turns_per_watt);
  /// A transform alone; `inverse` says which.
  void (*columns)(Complex* x, std::size_t rows, std::size_t stride, std::size_t n, bool inverse);
};

/// The best version for this processor ("avx512", "avx2" or "portable").
template <class Real>
const Kernels<Real>& best_kernels();
const char* best_kernels_name();

/// A named version, or nullptr where this processor cannot run it: for tests that compare them.
template <class Real>
const Kernels<Real>* named_kernels(const char* name);

}  // namespace cohlink::kernels
