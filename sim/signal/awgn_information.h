// What a format can carry over white Gaussian noise: the closed side of rx/quality/information.h.
#pragma once

#include "sim/signal/constellation.h"

namespace cohlink {

/// Mutual information in bits a symbol at `snr` = Es/N0 (linear), with the points' own probabilities:
///   E log2 (p(y | x) / sum_x P(x) p(y | x)),
/// by the trapezoidal rule over the noise, to 1e-6 bit, of one axis alone where both are independent and
/// alike. std::invalid_argument without points or for an SNR not above 0.
double awgn_mutual_bits(const Constellation& points, double snr);

/// GMI, in the same way and with the same errors:
///   H(X) - sum_b E log2 (sum_x P(x) p(y | x) / sum_{x: bit b as sent} P(x) p(y | x)),
/// the bit-metric rate of G. Boecherer, F. Steiner and P. Schulte, IEEE Trans. Commun. 63(12) 4651 (2015).
double awgn_generalised_bits(const Constellation& points, double snr);

/// 1 - (H - GMI) / m: the largest rate of an ideal binary code.
double awgn_ngmi(const Constellation& points, double snr);

/// SNR (linear) at which awgn_ngmi is `ngmi`. std::invalid_argument outside (0.02, 1 - 1e-9), or where no SNR
/// between -30 and 60 dB has it.
double awgn_snr_for_ngmi(const Constellation& points, double ngmi);

}  // namespace cohlink
