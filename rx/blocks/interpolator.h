// Band-limited interpolation at arbitrary instants: what retiming and deskew are made of.
#pragma once

#include <cstddef>
#include <span>
#include <vector>

#include "sim/signal/execution/execution.h"
#include "sim/signal/field.h"

namespace cohlink {

/// Windowed-sinc interpolation (Kaiser window) from a table of kPhases filters; the nearest is taken, which
/// puts a sample within 1 / (2 kPhases) of the wanted place: -62 dB of error on a signal that fills the band
/// to 0.27 of the sample rate. Filter length from the room between the band's edge and its first image.
/// T. I. Laakso et al., IEEE Signal Process. Mag. 13(1) 30 (1996).
class Interpolator {
 public:
  static constexpr std::size_t kPhases = 512;

  /// `band_edge`: the signal's one-sided bandwidth over the sample rate, (0, 0.5].
  explicit Interpolator(double band_edge, Execution execution = {});

  /// The row's value at each of `positions` [samples]; beyond its ends the row counts as zero.
  ComplexRow<float> operator()(const ComplexRow<float>& row, std::span<const double> positions) const;

  /// The same of both rows.
  Field<float> operator()(const Field<float>& signal, std::span<const double> positions) const;

  /// Samples within which an end of the row spoils the output.
  std::size_t reach() const { return taps_ / 2; }
  std::size_t taps() const { return taps_; }

 private:
  struct Stretch;
  std::vector<Stretch> stretches(std::size_t samples, std::span<const double> positions) const;
  ComplexRow<float> filtered(const ComplexRow<float>& row, const std::vector<Stretch>& all) const;

  Execution execution_;
  std::size_t taps_;          // a multiple of 4: input samples -taps/2 + 1 ... taps/2
  std::vector<float> table_;  // [kPhases + 1][taps][2], every coefficient twice
};

}  // namespace cohlink
