// Two ways for a field to lie in memory while the fast engine works on it, behind one set of passes.
//
// Natural: time in order, whole FFTs. Two-pass: the n samples are an n1 x n2 matrix, sample t = n2 a + b in
// row a and column b. With k = c + n1 d the DFT is
//   X[c + n1 d] = sum_b exp(-2 pi i b d/n2) [ exp(-2 pi i b c/n) sum_a exp(-2 pi i a c/n1) x[n2 a + b] ],
// columns of length n1, a twiddle, rows of length n2; and the spectrum is left where this puts it, X[c + n1
// d] in row c and place d, since any work on a spectrum can be done in that order. Between passes a two-pass
// field rests "half transformed" (columns done), so that a linear pass touches rows only (twiddle, forward,
// work, inverse, conjugate twiddle) and a Kerr pass columns only (inverse, rotation, forward): two passes
// over memory a step, each in cache. (Short columns, of 16, take the twiddles from a table and into their own
// pass.) The decomposition is Bailey's four-step FFT (J. Supercomputing 4, 23,
// 1990) without its transpositions.
#pragma once

#include <complex>
#include <cstddef>

#include "sim/signal/fft.h"
#include "sim/signal/field.h"
#include "sim/signal/propagation/program.h"

namespace cohlink::propagation_detail {

/// The two rows a pass works on, n samples each, aligned.
template <class Real>
struct Rows {
  std::complex<Real>* x;
  std::complex<Real>* y;
};

template <class Real>
class NaturalLayout {
 public:
  NaturalLayout(FftCache& ffts, std::size_t n, double rate);
  void enter(Rows<Real>) {}
  void leave(Rows<Real>) {}
  void linear(Rows<Real> rows, const LinearPass& pass);
  void kerr(Rows<Real> rows, const KerrPass& pass);
  void rotate(Rows<Real> rows, const RotationPass& pass);
  /// Where bin k lies in a spectrum.
  std::size_t place(std::size_t k) const { return k; }

 private:
  std::size_t n_;
  double rate_;
  const Fft<Real>* fft_;
};

/// How a length is split, n = n1 x n2: columns of 16 or 256, rows of a multiple of 16.
struct TwoPassShape {
  std::size_t n1 = 0, n2 = 0;
};
/// The measured choice for n; n1 = 0 if n is no multiple of 256.
TwoPassShape two_pass_shape(std::size_t n);

template <class Real>
class TwoPassLayout {
 public:
  TwoPassLayout(FftCache& ffts, std::size_t n, double rate, TwoPassShape shape);
  void enter(Rows<Real> rows) { columns(rows, false); }
  void leave(Rows<Real> rows) { columns(rows, true); }
  void linear(Rows<Real> rows, const LinearPass& pass);
  void kerr(Rows<Real> rows, const KerrPass& pass);
  void rotate(Rows<Real> rows, const RotationPass& pass);
  std::size_t place(std::size_t k) const { return digit_reversed(k % shape_.n1) * shape_.n2 + k / shape_.n1; }

 private:
  void columns(Rows<Real> rows, bool inverse);
  // Row of transformed column index c, and back: columns of 256 leave their two digits in reverse.
  std::size_t digit_reversed(std::size_t c) const { return shape_.n1 == 256 ? c / 16 + 16 * (c % 16) : c; }

  std::size_t n_;
  double rate_;
  TwoPassShape shape_;
  const Fft<Real>* row_fft_;
  ComplexRow<Real> twiddle_;  // n1 x n2, of columns of 16 only: long rows make their twiddles anew
};

}  // namespace cohlink::propagation_detail
