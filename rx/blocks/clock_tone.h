// The clock in the signal's band edges, seen through any polarisation mixing.
#pragma once

#include <array>
#include <complex>
#include <cstddef>
#include <vector>

#include "sim/signal/execution/execution.h"
#include "sim/signal/field.h"
#include "sim/signal/pulse.h"
#include "sim/signal/record/capture.h"

namespace cohlink {

/// Cross spectra of a block between its upper and lower band edge, one symbol rate R apart.
///
/// The symbols' spectrum a(f) repeats with R, so behind a path with Jones matrix J(f) the two rows r obey
///   r(f) r(f - R)^H = |a|^2 H(f) H(f - R) J(f) J(f - R)^H exp(-i 2 pi R tau),  tau the symbols' delay:
/// D. N. Godard, IEEE Trans. Commun. 26(5) 517 (1978), made a 2x2 matrix. Its trace is the usual clock tone,
/// which a differential group delay of half a symbol at 45 degrees extinguishes; its norm and the phase of
/// its determinant, exp(-i 4 pi R tau) det J(f) det J(f - R)^*, do not feel the polarisation at all.
/// Chromatic dispersion adds a phase linear in f, that is, a delay beta2 L 2 pi R between the edges. Only the
/// roll-off's width, where both edges hold light, is looked at: the pulse of any roll-off has that.
class ClockTone {
 public:
  /// `block`: samples, two a symbol, even. std::invalid_argument otherwise.
  ClockTone(const PulseShape& shape, std::size_t block, const Execution& execution);

  /// Takes samples [start, start + block) in, under a Hann window.
  void transform(const Field<float>& signal, std::size_t start);

  /// The four cross spectra, [row at f][row at f - R][bin - first_bin()], of what was taken in last, weighted
  /// by H(f) H(f - R). Delay refers to its first sample. `shift`: the row at f - R is taken so many bins
  /// higher, as a symbol rate lower by that would have it.
  using CrossSpectra = std::array<std::array<std::vector<std::complex<float>>, 2>, 2>;
  void cross(CrossSpectra& out, int shift = 0) const;

  /// Both.
  void operator()(const Field<float>& signal, std::size_t start, CrossSpectra& out) {
    transform(signal, start);
    cross(out);
  }

  std::size_t block() const { return fft_->size(); }
  std::size_t bins() const { return weight_.size(); }
  std::size_t first_bin() const { return first_; }

 private:
  Execution execution_;
  const Fft<float>* fft_;
  std::size_t first_ = 0;
  std::vector<float> weight_, window_;
  std::array<ComplexRow<float>, 2> spectrum_;  // scratch
};

/// Sum of the cross spectra over the band.
Jones clock_matrix(const ClockTone::CrossSpectra& cross);

}  // namespace cohlink
