// A laser's phase and power over one frame: Lorentzian line, 1/f frequency noise, drift, dither, intensity
// noise. The transmit laser and the local oscillator are the same kind of thing.
#pragma once

#include <cstddef>
#include <cstdint>
#include <optional>
#include <string>
#include <vector>

#include "sim/signal/execution/execution.h"
#include "sim/signal/random.h"

namespace cohlink {

struct LaserParameters {
  double linewidth = 0.0;               // Hz, Lorentzian full width at half maximum
  double flicker = 0.0;                 // Hz^2/Hz, one-sided density of the 1/f frequency noise at 1 MHz
  double drift = 0.0;                   // Hz/s, of the optical frequency
  double dither = 0.0;                  // Hz, peak deviation of the optical frequency
  double dither_rate = 10e3;            // Hz
  std::optional<double> rin;            // 1/Hz, one-sided relative intensity noise; absent = none
  std::optional<double> rin_bandwidth;  // Hz, the noise is flat up to here; absent = white
};

/// What the laser did, sample by sample. The field is amplitude(t) exp(i phase), so a rise of the optical
/// frequency by nu turns the phase by -2 pi nu t (cohlink's sign: a positive FFT bin is a lower frequency).
struct LaserTrace {
  std::vector<double> phase;           // rad; drift and dither included, a constant offset left out
  std::vector<double> relative_power;  // mean 1; empty = exactly 1 throughout
  std::uint64_t clipped_samples = 0;   // where intensity noise would have made the power negative
  double amplitude(std::size_t t) const;
};

/// So many instants, so often a second [Hz].
struct TimeGrid {
  std::size_t samples;
  double sample_rate;
};

/// A value at each instant of the grid, the sum of
///  - a Wiener phase whose increments have variance 2 pi linewidth / sample_rate: frequency noise that is
///    white with the one-sided density linewidth / pi [Hz^2/Hz] (C. H. Henry, IEEE J. Quantum Electron.
///    18(2) 259, 1982). The start is uniform over a turn; a linewidth of 0 gives a constant 0, so that an
///    ideal laser needs no tracking;
///  - 1/f frequency noise of density flicker x 1 MHz / f, from half the reciprocal frame upwards (what is
///    slower looks like a frequency offset);
///  - a drift of the frequency, 0 at the frame's start, and a sinusoidal dither of random start phase;
///  - relative intensity noise of density `rin` up to its bandwidth, Gaussian, cut where power would be
///    negative.
/// Streams "<name>-phase", "<name>-flicker", "<name>-dither", "<name>-rin".
LaserTrace run_laser(const LaserParameters& parameters, const std::string& name, const TimeGrid& grid,
                     const RandomStreams& streams, const Execution& execution);

}  // namespace cohlink
