// What received symbols say about their noise without knowing what was sent.
#pragma once

#include <complex>
#include <span>

#include "sim/signal/constellation.h"

namespace cohlink {

/// A constellation, scaled and turned, in white circular Gaussian noise, fitted to symbols.
struct ConstellationFit {
  std::complex<double> gain = 1.0;
  double noise = 0.0;           // mean power of the noise, in that of the symbols
  double log_likelihood = 0.0;  // mean of a symbol, nats
  double spread = 0.0;          // standard deviation of ln snr(), from the observed information
  double snr() const { return std::norm(gain) / noise; }
};

/// Most likely gain and noise power, points sent as often as their format has it: unbiased where distances to
/// decisions are not (those fall short of the noise as soon as decisions are wrong). Expectation
/// maximisation: A. P. Dempster, N. M. Laird and D. B. Rubin, J. R. Stat. Soc. B 39, 1 (1977); the spread by
/// the observed information. Symbols in one cell, a sixteenth of the smallest distance between points wide,
/// count as one place; their scatter in it is kept. `symbols`: signal part near unit power, at an angle near
/// that of the grid. std::invalid_argument for Gaussian symbols and for no symbols.
ConstellationFit fit_constellation(std::span<const std::complex<float>> symbols, Modulation modulation);

/// The fit's log_likelihood, or somewhat less, after a few steps of it: to compare constellations by.
double rough_log_likelihood(std::span<const std::complex<float>> symbols, Modulation modulation);

/// Standard deviation of ln SNR of an error vector (metrics.h) over `symbols` known symbols at `snr`: noise
/// power, gain and mean power of what was sent each have their share, (1 + 2 / snr + kurtosis - 1) / symbols.
double data_aided_spread(double snr, std::size_t symbols, Modulation modulation);

/// SNR [linear] of several rows as one, by their mean noise, and the spread of its logarithm.
struct JointSnr {
  double snr = 0.0, spread = 0.0;
};
JointSnr joint_snr(std::span<const JointSnr> rows);

}  // namespace cohlink
