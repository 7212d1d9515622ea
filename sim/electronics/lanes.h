// Two real lanes in one complex row: I the real part, Q the imaginary part. Filtering and delaying go by the
// periodic spectrum, X(f) -> X(f) H(f) and H(f) = exp(-2 pi i f delay); sampling folds it (A. V. Oppenheim
// and R. W. Schafer, Discrete-Time Signal Processing, Prentice Hall 1989).
#pragma once

#include <algorithm>
#include <array>
#include <complex>
#include <vector>

#include "sim/signal/execution/fft.h"
#include "sim/signal/field.h"

namespace cohlink {

/// Response of a real filter at the frequencies of bins 0 to n/2 of a spectrum over n; those of the other
/// bins are conjugates of these.
using LaneFilter = std::vector<std::complex<double>>;

/// Those frequencies [Hz].
std::vector<double> bins_from_zero(std::size_t n, double sample_rate);

/// Filters both lanes of a periodic row of n samples alike.
void filter_lanes(ComplexRow<double>& row, const LaneFilter& filter, const FftCache& fft);

/// Filters lane I by `of_i` and lane Q by `of_q`.
void filter_lanes(ComplexRow<double>& row, const LaneFilter& of_i, const LaneFilter& of_q,
                  const FftCache& fft);

/// Delays lane I by `delay_i` and lane Q by `delay_q` [s], cyclically and exactly for a band-limited row.
void delay_lanes(ComplexRow<double>& row, double sample_rate, double delay_i, double delay_q,
                 const FftCache& fft);

/// One lane as a vector.
std::vector<double> lane_of(const ComplexRow<double>& row, bool quadrature);

/// Root mean square of a lane; 0 for an empty one.
double rms(const std::vector<double>& lane);

/// Those of lanes I and Q of a row.
std::array<double, 2> lane_rms(const ComplexRow<double>& row);

/// Bins 0 to count - 1 of a spectrum, and as many below 0 but for 0 itself; all where that is more than all.
struct Band {
  std::size_t count;
  /// So many of n bins from 0 up, and so many below 0; bin n/2 of an even length is one of the latter.
  std::size_t above(std::size_t n) const { return std::min(count, (n + 1) / 2); }
  std::size_t below(std::size_t n) const { return std::min(count - 1, n / 2); }
};

/// Spectrum (forward FFT over n) of the part in `band` of a row sampled at m points a period: bins that alias
/// are added up.
ComplexRow<double> folded_spectrum(const ComplexRow<double>& spectrum, std::size_t m, const Band& band);

}  // namespace cohlink
