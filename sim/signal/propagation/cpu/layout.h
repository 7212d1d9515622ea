// Two ways for a field to lie in memory while the fast engine works on it, behind one set of passes.
//
// Natural: where it is, time in order, whole FFTs. Two-pass: in a workspace, as an n1 x n2 matrix, sample t =
// n2 a + b in row a and column b. With k = c + n1 d the DFT is
//   X[c + n1 d] = sum_b exp(-2 pi i b d/n2) [ exp(-2 pi i b c/n) sum_a exp(-2 pi i a c/n1) x[n2 a + b] ],
// columns of length n1, a twiddle, rows of length n2; and the spectrum is left where this puts it, X[c + n1
// d] in c's row and place d, since any work on a spectrum can be done in that order. Between passes a
// two-pass field rests "half transformed" (columns done), so that a linear pass touches rows only (twiddle,
// forward, work, inverse, conjugate twiddle) and a Kerr pass columns only (inverse, rotation, forward): two
// passes over memory a step, each in cache. The decomposition is Bailey's four-step FFT (J. Supercomputing 4,
// 23, 1990) without its transpositions. The workspace's rows are padded: at a distance of a power of two a
// whole column would share one set of each cache, and the columns took nearly twice as long.
#pragma once

#include <complex>
#include <cstddef>

#include "sim/signal/execution/execution.h"
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
  NaturalLayout(const Execution& execution, std::size_t n, double rate);
  /// Takes a field in, and says where it lies from now on: `extent()` samples a row, all of which may be
  /// scaled and summed, as any that are not the field's are zero.
  Rows<Real> enter(Rows<Real> field) { return field; }
  void leave(Rows<Real>) {}
  std::size_t extent() const { return n_; }
  void linear(Rows<Real> rows, const LinearPass& pass);
  void kerr(Rows<Real> rows, const KerrPass& pass);
  /// In time. `turning`: whatever turn_at knows.
  template <class Turning>
  void turn(Rows<Real> rows, const Turning& turning);
  /// Where bin k lies in a spectrum.
  std::size_t place(std::size_t k) const { return k; }
  /// Room for n samples a row besides those entered.
  Rows<Real> spare();
  /// Calls body(place in the layout, place in the spare room, count) for every run of samples.
  template <class Body>
  void for_runs(const Body& body) const {
    body(0, 0, n_);
  }

 private:
  std::size_t n_;
  double rate_;
  const Fft<Real>* fft_;
  ComplexRow<Real> spare_;
};

/// How a length is split, n = n1 x n2: columns of 16, 64, 256 or 1024, rows of a multiple of 16.
struct TwoPassShape {
  std::size_t n1 = 0, n2 = 0;
};
/// The measured choice for samples of `sample_bytes`; n1 = 0 if n is no multiple of 256.
TwoPassShape two_pass_shape(std::size_t n, std::size_t sample_bytes);

template <class Real>
class TwoPassLayout {
 public:
  TwoPassLayout(const Execution& execution, std::size_t n, double rate, TwoPassShape shape);
  Rows<Real> enter(Rows<Real> field);
  void leave(Rows<Real> field);
  std::size_t extent() const { return shape_.n1 * stride_; }
  void linear(Rows<Real> rows, const LinearPass& pass);
  void kerr(Rows<Real> rows, const KerrPass& pass);
  /// In time. `turning`: whatever turn_at knows.
  template <class Turning>
  void turn(Rows<Real> rows, const Turning& turning);
  std::size_t place(std::size_t k) const { return row_of(k % shape_.n1) * stride_ + k / shape_.n1; }
  /// The memory of the field that was entered, which lies idle meanwhile.
  Rows<Real> spare() { return field_; }
  template <class Body>
  void for_runs(const Body& body) const {
    for (std::size_t r = 0; r < shape_.n1; ++r) body(r * stride_, r * shape_.n2, shape_.n2);
  }

 private:
  void columns(Rows<Real> rows, bool inverse);
  // Columns leave their digits in reverse: output c lies in row_of(c), and row r holds column_of(r).
  std::size_t row_of(std::size_t c) const { return c / digit() + 16 * (c % digit()); }
  std::size_t column_of(std::size_t r) const { return r / 16 + digit() * (r % 16); }
  std::size_t digit() const { return shape_.n1 / 16; }

  const Execution& execution_;  // passes over a long field look whether to stop
  std::size_t n_;
  double rate_;
  TwoPassShape shape_;
  std::size_t stride_;
  const Fft<Real>* row_fft_;
  Rows<Real> field_{};
  ComplexRow<Real> work_;  // x and y, rows of stride_
};

}  // namespace cohlink::propagation_detail
