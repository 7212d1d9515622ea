// Blind signal power: how much of a noisy row is signal, from its moments.
#pragma once

#include <array>
#include <complex>
#include <span>

#include "sim/signal/constellation.h"
#include "sim/signal/field.h"

namespace cohlink {

/// Mean power of the signal part of `symbols` (one sample a symbol) in circular Gaussian noise, whatever
/// the carrier phase. With signal power S, noise power N and constellation kurtosis k,
/// E|y|^4 = k S^2 + 4 S N + 2 N^2, so S = sqrt((2 M2^2 - M4) / (2 - k)).
/// D. R. Pauluzzi and N. C. Beaulieu, IEEE Trans. Commun. 48(10) 1681 (2000). Never above the mean power,
/// which is returned for Gaussian symbols, whose moments cannot tell signal from noise. Of shaped formats,
/// which are nearly Gaussian, the likeliest (envelope.h).
double signal_power(std::span<const std::complex<float>> symbols, Modulation modulation);

/// E|a|^4 / (E|a|^2)^2 of the constellation: 1 for QPSK, 1.32 for 16QAM, 2 for Gaussian symbols.
double kurtosis(Modulation modulation);

/// Scales each row so that its signal part has unit power: decision thresholds then fit. Only the symbols
/// in [first, last) are measured. A silent row is left alone.
Field<float> scale_to_constellation(Field<float> symbols, Modulation modulation, std::size_t first,
                                    std::size_t last);

/// Scales the rows of a shaped format, signal part of unit power, so that their nearest points are the
/// likeliest a posteriori at the noise that [first, last) has; gives the factors. Other formats: 1.
std::array<float, 2> scale_to_posterior(Field<float>& symbols, Modulation modulation, std::size_t first,
                                        std::size_t last);

}  // namespace cohlink
