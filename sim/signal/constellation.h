// Gray-mapped QPSK and 16QAM, plain or with differential quadrant coding, at unit mean power.
#pragma once

#include <complex>
#include <cstdint>
#include <span>
#include <string_view>
#include <vector>

namespace cohlink {

enum class Modulation { kQpsk, kQam16, kGaussian };

/// "qpsk", "16qam", "gaussian".
std::string_view modulation_name(Modulation modulation);

/// 2, 4; 0 for Gaussian symbols, which carry no bits.
int bits_per_symbol(Modulation modulation);

using Bits = std::vector<std::uint8_t>;             // one bit an element, 0 or 1
using Symbols = std::vector<std::complex<double>>;  // one symbol an element, unit mean power

/// The points of a constellation, index = its bits read as a number, first bit most significant.
/// QPSK: bit 0 -> +, 1 -> - on I (first bit) and Q (second). 16QAM: two bits an axis, first pair I, with
/// Gray levels 00 01 11 10 -> +3 +1 -1 -3, over sqrt(10).
const std::vector<std::complex<double>>& constellation(Modulation modulation);

/// Index of the nearest constellation point (ties go to the upper, right one).
unsigned nearest_index(Modulation modulation, std::complex<double> symbol);
std::complex<double> nearest_point(Modulation modulation, std::complex<double> symbol);

/// Bits (a whole number of symbols; else std::invalid_argument) to symbols.
/// With `differential`, the first two bits of a symbol (Gray) name the quarter turn of its quadrant from
/// the symbol before (which starts in quadrant 0), the others its place in the quadrant, so that any
/// constant rotation by a quarter turn leaves the decoded bits unchanged after the first symbol.
/// W. J. Weber, IEEE Trans. Commun. 26(3) 385 (1978).
Symbols map_bits(Modulation modulation, std::span<const std::uint8_t> bits, bool differential);

/// Hard decisions, the inverse of map_bits; the first symbol's quadrant bits are decoded against
/// quadrant 0.
Bits decide_bits(Modulation modulation, std::span<const std::complex<double>> symbols, bool differential);

/// Exact bit error ratio of coherent detection in white Gaussian noise at `snr` = Es/N0 (linear), Gray
/// mapping, no differential coding. QPSK: Proakis, Digital Communications, ch. 4; 16QAM: Cho and Yoon,
/// IEEE Trans. Commun. 50(7) 1074 (2002). NaN for Gaussian symbols.
double theory_ber(Modulation modulation, double snr);

/// The same with differential quadrant coding and perfect phase. QPSK: 2p(1-p) exactly. 16QAM: exact sum
/// over decided quadrant and inner bits.
double theory_ber_differential(Modulation modulation, double snr);

/// Variance of the number of bit errors over that of as many independent ones: with differential quadrant
/// coding a wrong decision takes several bits with it, in its own symbol and the next. White Gaussian noise,
/// every wrong decision one to a nearest neighbour: E[c^2]/E[c] over the bit errors c that each costs
/// (compound Poisson law: W. Feller, An Introduction to Probability Theory and Its Applications, vol. 1, ch.
/// XII). QPSK 2, 16QAM 2.4; 1 without differential coding, and for Gaussian symbols.
double error_bunching(Modulation modulation, bool differential);

/// SNR = Es/N0 (linear) at which theory_ber equals `ber` (0 < ber < 0.4), by bisection.
double theory_snr(Modulation modulation, double ber);

}  // namespace cohlink
