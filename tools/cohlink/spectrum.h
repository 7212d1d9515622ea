// A quick look at the spectrum of a capture, for inspection.
#pragma once

#include "sim/signal/execution/fft.h"
#include "sim/signal/record/capture.h"

namespace cohlink {

struct SpectrumSummary {
  double centre_hz = 0;    // centre of gravity of the power, FFT sign
  double occupied_hz = 0;  // band that holds 99 % of the power (0.5 % left out at either end)
  double peak_to_floor_db =
      0;  // median of the occupied band over the median outside; infinite when it fills all
};

/// Welch's averaged periodogram (Hann window, half overlap) of I + iQ, both polarisations together.
/// Needs at least two samples.
SpectrumSummary summarise_spectrum(const Capture& capture, const FftCache& fft);

}  // namespace cohlink
