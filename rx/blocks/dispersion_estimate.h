// How much chromatic dispersion a signal has met, found from the signal alone.
#pragma once

#include <cmath>
#include <cstddef>
#include <vector>

#include "rx/blocks/clock_tone.h"
#include "sim/signal/execution/fft.h"
#include "sim/signal/field.h"
#include "sim/signal/pulse.h"
#include "sim/signal/units.h"

namespace cohlink {

struct DispersionEstimate {
  double beta2_length = 0.0;  // accumulated by the path [s^2]
  double peak_to_rms = 0.0;   // clock tone over the fluctuation of what other dispersions show
  bool found() const;
};

/// Below this peak_to_rms nothing was found: noise alone reaches it about once in 1e8 captures.
inline constexpr double kDispersionLock = 9.0;

struct DispersionSearch {
  PulseShape pulse;
  /// s^2, searched from minus to plus this.
  double widest_beta2_length = std::abs(accumulated_to_beta2_length(60000.0));
  std::size_t longest = std::size_t{1} << 18;  // symbols used, from the middle of the row
};

/// The clock tone for every dispersion at once. Behind beta2 L the two band edges of the same symbols, one
/// symbol rate R apart, are delayed against each other by beta2 L 2 pi R: the cross spectrum between them
/// (clock_tone.h) turns linearly with frequency, and its inverse transform peaks at that delay. Squared norms
/// over all four pairs of rows and over blocks are summed: no polarisation, differential group delay, clock
/// offset (up to 1 / block, 120 ppm) or carrier phase hides the peak. One FFT pair a block replaces a scan
/// over dispersions of the clock tone as in F. N. Hauske et al., Proc. OFC, OThE3 (2008); the edges' delay as
/// a measure of dispersion: J. C. M. Diniz et al., Opt. Express 19(26) B323 (2011).
///
/// The peak is c / (lambda^2 R^2 roll_off) wide (1200 ps/nm at 32 GBd and roll-off 0.1). Standard deviation
/// about width / (4 sqrt(symbols roll_off SNR)) at low SNR; measured in
/// tests/rx/blocks/dispersion_estimate_test.cpp. Needs a carrier offset below roll_off R / 4 (frequency
/// before dispersion in the chain) and some thousand symbols; the roll-off's edges must not be cut off by
/// filters.
class DispersionEstimator {
 public:
  DispersionEstimator(const DispersionSearch& search, const Execution& execution);

  /// `signal`: two samples a symbol. A row shorter than a block is filled up with zeros; not found for one
  /// below shortest(), three times the widest delay between the edges or more.
  DispersionEstimate operator()(const Field<float>& signal) const;

  std::size_t block() const { return block_; }  // samples
  std::size_t shortest() const { return block_ / 2; }

 private:
  std::vector<double> tone_power(const Field<float>& signal) const;

  DispersionSearch p_;
  Execution execution_;
  double widest_delay_;  // samples
  std::size_t block_;
};

}  // namespace cohlink
