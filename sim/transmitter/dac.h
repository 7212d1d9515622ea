// Digital-to-analogue converter of the transmitter, with the digital pre-emphasis in front of it.
#pragma once

#include <cstdint>
#include <optional>
#include <span>

#include "sim/electronics/bessel.h"
#include "sim/electronics/lanes.h"
#include "sim/electronics/quantiser.h"
#include "sim/signal/execution/fft.h"
#include "sim/signal/field.h"
#include "sim/signal/random.h"
#include "sim/signal/units.h"

namespace cohlink {

struct DacParameters {
  std::optional<QuantiserParameters> quantiser;  // absent = values go through unrounded
  double loading = amplitude_from_db(-10.0);     // rms of a lane over full scale (with a quantiser)
  std::optional<double> sample_rate;             // Hz; absent = the simulation's samples, without a hold
  std::optional<double> bandwidth;               // Hz, 3 dB, Bessel; absent = unlimited
  int bandwidth_order = 4;
  double preemphasis_db = 0.0;  // most that pre-emphasis may lift [dB]; 0 = off
};

/// What came of the asked: samples clipped, and the rate that the converter really ran at.
struct DacReport {
  std::uint64_t clipped_samples = 0;
  double sample_rate = 0.0;  // Hz
};

/// Analogue response at frequencies [Hz], dimensionless:
///   H(f) = sinc(f / f_s) B_n(f),  sinc(x) = sin(pi x) / (pi x),
/// the zero-order hold at the sample rate f_s, its delay of half a sample taken out, times the Bessel path
/// (bessel.h); either is 1 when its parameter is absent. Hold: A. V. Oppenheim and R. W. Schafer,
/// Discrete-Time Signal Processing (Prentice Hall 1989), section on D/A conversion (number from memory).
class DacResponse {
 public:
  explicit DacResponse(const DacParameters& parameters);
  LaneFilter operator()(std::span<const double> frequencies) const;

 private:
  std::optional<double> sample_rate_;
  std::optional<BesselFilter> path_;
};

/// Converts the two lanes of each periodic row of drive waveforms in place. Samples are taken at the
/// converter's rate (the nearest one that fits a whole number of samples into the frame, as in a pattern
/// generator), rounded, and held: the spectrum repeats around every multiple of the sample rate and is
/// weighted by DacResponse. Images beyond the simulated band are lost.
///
/// Of samples x[j] at f_s the analogue waveform has the spectrum
///   Y(f) = H(f) X(f mod f_s),  X(f) = sum_j x[j] exp(-2 pi i f j / f_s) / f_s.
///
/// Pre-emphasis first multiplies by exp(-i arg H) min(1/|H|, 10^(preemphasis_db/20)) up to half the sample
/// rate and does nothing beyond (D. Rafique, A. Napoli, S. Calabro and B. Spinnler, J. Lightwave Technol.
/// 32(19) 3247, 2014; from memory). Rounding and effective bits: quantiser.h. Stream "dac-noise" (ENOB).
/// Nothing is refused here: scenarios whose pulse does not fit below half the rate are (link_setup.h).
DacReport convert_to_analogue(Field<double>& drive, const DacParameters& parameters,
                              const RandomStreams& streams, const FftCache& fft);

}  // namespace cohlink
