// Digital-to-analogue converter of the transmitter, with the digital pre-emphasis in front of it.
#pragma once

#include <complex>
#include <cstdint>
#include <optional>

#include "sim/electronics/bessel.h"
#include "sim/electronics/quantiser.h"
#include "sim/signal/fft.h"
#include "sim/signal/field.h"
#include "sim/signal/random.h"

namespace cohlink {

struct DacParameters {
  std::optional<QuantiserParameters> quantiser;  // absent = values go through unrounded
  double loading_db = -10.0;                     // rms of a lane relative to full scale (with a quantiser)
  std::optional<double> sample_rate;             // Hz; absent = the simulation's samples, without a hold
  std::optional<double> bandwidth;               // Hz, 3 dB, Bessel; absent = unlimited
  int bandwidth_order = 4;
  double preemphasis_db = 0.0;  // most that pre-emphasis may lift [dB]; 0 = off
};

/// Samples clipped.
struct DacReport {
  std::uint64_t clipped_samples = 0;
};

/// Analogue response at a frequency [Hz]: that of the zero-order hold, sinc(f / sample rate), its delay of
/// half a sample taken out, times the Bessel path.
class DacResponse {
 public:
  explicit DacResponse(const DacParameters& parameters);
  std::complex<double> operator()(double frequency) const;

 private:
  std::optional<double> sample_rate_;
  std::optional<BesselFilter> path_;
};

/// Converts the two lanes of each periodic row of drive waveforms in place. Samples are taken at the
/// converter's rate (the nearest one that fits a whole number of samples into the frame, as in a pattern
/// generator), rounded, and held: the spectrum repeats around every multiple of the sample rate and is
/// weighted by DacResponse. Images beyond the simulated band are lost.
///
/// Pre-emphasis first multiplies by the inverse of DacResponse, its magnitude limited to preemphasis_db;
/// beyond half the sample rate it does nothing. Stream "dac-noise" (ENOB).
DacReport convert_to_analogue(Field<double>& drive, const DacParameters& parameters,
                              const RandomStreams& streams, FftCache& fft);

}  // namespace cohlink
