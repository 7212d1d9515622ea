// Long filters on streams of any length, in the frequency domain.
#pragma once

#include <complex>
#include <cstddef>
#include <functional>

#include "rx/blocks/operations.h"
#include "rx/stage/cost.h"
#include "sim/signal/execution/execution.h"
#include "sim/signal/field.h"

namespace cohlink {

/// Overlap-save filtering with a response given in frequency. Delay-free: the response says what it
/// delays. Costs N (log2 N + 1) / (N - M + 1) complex products a sample for block N and overlap M
/// (P. Poggiolini et al., Opt. Express 17(3) 1385, 2009); the block is chosen to make that least.
/// J. J. Shynk, IEEE Signal Process. Mag. 9(1) 14 (1992).
class OverlapSaveFilter {
 public:
  /// `response(f)` at baseband f [Hz], FFT sign (forward = exp(-i w t)), must have an impulse response
  /// that stays within +-`reach` seconds: that is the overlap on each side of a block.
  OverlapSaveFilter(const std::function<std::complex<double>(double)>& response, double sample_rate,
                    double reach, Execution execution);

  /// Both rows, same length and rate (std::invalid_argument for another rate); zero beyond the ends.
  /// Output within reach() samples of an end misses input.
  Field<float> operator()(Field<float> signal) const;

  std::size_t block() const { return fft_->size(); }
  std::size_t reach() const { return reach_; }

  /// Of one sample, both rows.
  Operations cost() const { return overlap_save_operations(block(), 2 * reach_); }

 private:
  void filter_row(ComplexRow<float>& row, ComplexRow<float>& scratch) const;

  double sample_rate_;
  std::size_t reach_;  // samples, each side
  Execution execution_;
  const Fft<float>* fft_;
  ComplexRow<float> response_;  // at the bins, with the transform's 1/N
};

}  // namespace cohlink
