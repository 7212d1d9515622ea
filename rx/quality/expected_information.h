// What symbols can carry in white noise before any are sent: what the measured information is held against.
#pragma once

#include "rx/quality/information.h"

namespace cohlink {

/// Mean of achievable_information over endless symbols of `modulation` in white circular Gaussian noise at
/// `snr` = Es/N0 (linear), by a product of two Gauss-Hermite rules about every point, of 32 nodes each: to
/// 1e-4 of a bit from -5 dB until nothing is lost any more (the integrands bend where two points are equally
/// likely, and more sharply the less noise there is). Nodes and weights by G. H. Golub and J. H. Welsch,
/// Math. Comp. 23(106) 221 (1969); the sums as in A. Alvarado, T. Fehenberger, B. Chen and F. M. J. Willems,
/// J. Lightwave Technol. 36(2) 424 (2018). std::invalid_argument for an SNR not above 0 and for Gaussian
/// symbols.
Information expected_information(Modulation modulation, double snr);

}  // namespace cohlink
