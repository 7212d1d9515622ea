// Two ways for a field to lie in memory while the fast engine works on it, behind one set of passes.
//
// Natural: time in order, whole FFTs. Two-pass: the n samples are an n1 x n2 matrix, sample t = n2 a + b in
// row a and column b. With k = c + n1 d the DFT is
//   X[c + n1 d] = sum_b exp(-2 pi i b d/n2) [ exp(-2 pi i b c/n) sum_a exp(-2 pi i a c/n1) x[n2 a + b] ],
// columns of length n1, a twiddle, rows of length n2; and the spectrum is left where this puts it, X[c + n1
// d] in row c and place d, since any work on a spectrum can be done in that order. Between passes a two-pass
// field rests "half transformed" (columns done), so that a linear pass touches rows only (twiddle, forward,
// work, inverse, conjugate twiddle) and a Kerr pass columns only (inverse, rotation, forward): two passes
// over memory a step, each in cache. The decomposition is Bailey's four-step FFT (J. Supercomputing 4, 23,
// 1990) without its transpositions.
#pragma once

#include <fftw3.h>

#include <complex>
#include <cstddef>
#include <map>
#include <memory>
#include <mutex>

#include "sim/fibre/program.h"
#include "sim/signal/fft.h"
#include "sim/signal/field.h"

namespace cohlink::fibre_detail {

/// The two rows a pass works on, n samples each, aligned.
template <class Real>
struct Rows {
  std::complex<Real>* x;
  std::complex<Real>* y;
};

/// In-place FFTs of `count` interleaved vectors: element a of vector j at data[a count + j].
template <class Real>
class InterleavedFft {
 public:
  InterleavedFft(std::size_t n, std::size_t count);
  ~InterleavedFft();
  InterleavedFft(const InterleavedFft&) = delete;
  InterleavedFft& operator=(const InterleavedFft&) = delete;
  void forward(std::complex<Real>* data) const;
  void inverse(std::complex<Real>* data) const;

 private:
  void* forward_ = nullptr;
  void* inverse_ = nullptr;
};

/// Interleaved FFTs in store, made on first use. Thread-safe.
template <class Real>
class ColumnPlans {
 public:
  const InterleavedFft<Real>& get(std::size_t n, std::size_t count);

 private:
  std::mutex mutex_;
  std::map<std::pair<std::size_t, std::size_t>, std::unique_ptr<InterleavedFft<Real>>> plans_;
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

/// How a length is split, n = n1 x n2, and how many columns are worked on at once.
struct TwoPassShape {
  std::size_t n1 = 0, n2 = 0, block = 0;
};
/// The measured choice for n samples of `sample_bytes` (one complex number); n1 = 0 if n has too few factors
/// of two.
TwoPassShape two_pass_shape(std::size_t n, std::size_t sample_bytes);

template <class Real>
class TwoPassLayout {
 public:
  TwoPassLayout(FftCache& ffts, ColumnPlans<Real>& columns, std::size_t n, double rate, TwoPassShape shape);
  void enter(Rows<Real> rows);
  void leave(Rows<Real> rows);
  void linear(Rows<Real> rows, const LinearPass& pass);
  void kerr(Rows<Real> rows, const KerrPass& pass);
  void rotate(Rows<Real> rows, const RotationPass& pass);
  std::size_t place(std::size_t k) const { return (k % shape_.n1) * shape_.n2 + k / shape_.n1; }

 private:
  template <class Work>
  void columns(Rows<Real> rows, const Work& work);

  std::size_t n_;
  double rate_;
  TwoPassShape shape_;
  const Fft<Real>* row_fft_;
  const InterleavedFft<Real>* column_fft_;
  ComplexRow<Real> block_x_, block_y_, twiddle_;
};

}  // namespace cohlink::fibre_detail
