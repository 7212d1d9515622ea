// Two real lanes in one complex row: I the real part, Q the imaginary part. Filtering and delaying go by the
// periodic spectrum, X(f) -> X(f) H(f) and H(f) = exp(-2 pi i f delay); sampling folds it (A. V. Oppenheim
// and R. W. Schafer, Discrete-Time Signal Processing, Prentice Hall 1989).
#pragma once

#include <complex>
#include <functional>
#include <vector>

#include "sim/signal/execution/fft.h"
#include "sim/signal/field.h"

namespace cohlink {

/// Frequency response of a real filter [Hz -> complex], hermitian.
using LaneResponse = std::function<std::complex<double>(double)>;

/// Filters both lanes of a periodic row alike.
void filter_lanes(ComplexRow<double>& row, double sample_rate, const LaneResponse& response,
                  const FftCache& fft);

/// Filters lane I by `of_i` and lane Q by `of_q`.
void filter_lanes(ComplexRow<double>& row, double sample_rate, const LaneResponse& of_i,
                  const LaneResponse& of_q, const FftCache& fft);

/// Delays lane I by `delay_i` and lane Q by `delay_q` [s], cyclically and exactly for a band-limited row.
void delay_lanes(ComplexRow<double>& row, double sample_rate, double delay_i, double delay_q,
                 const FftCache& fft);

/// One lane as a vector.
std::vector<double> lane_of(const ComplexRow<double>& row, bool quadrature);

/// Root mean square of a lane; 0 for an empty one.
double rms(const std::vector<double>& lane);

/// Spectrum (forward FFT over n) of a row sampled at m points a period: bins that alias are added up.
ComplexRow<double> folded_spectrum(const ComplexRow<double>& spectrum, std::size_t m);

}  // namespace cohlink
