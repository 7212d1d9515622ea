// Signal power of symbols that are nearly Gaussian, from their distances to the centre.
#pragma once

#include <complex>
#include <span>

#include "sim/signal/constellation.h"

namespace cohlink {

/// The signal's share of the mean power of `symbols` in circular Gaussian noise, whatever the carrier phase:
/// the one that makes the histogram of their magnitudes likeliest, each magnitude a mixture of Rice
/// distributions, one a ring of the constellation (S. O. Rice, Bell Syst. Tech. J. 24, 46, 1945). Where the
/// kurtosis is near 2, as that of shaped points is, moments cannot tell signal from noise and this still
/// does. Found between SNRs of -3 and 40 dB, to 0.01 dB of them.
double signal_share(std::span<const std::complex<float>> symbols, const Constellation& points);

}  // namespace cohlink
