// Probabilistic shaping: formats whose inner points are sent more often than their outer ones.
#pragma once

#include <cstddef>
#include <span>
#include <string>
#include <vector>

#include "sim/signal/constellation.h"
#include "sim/signal/random.h"

namespace cohlink {

/// Whether a format can be shaped: square, with more than one amplitude on its axes.
bool can_be_shaped(Modulation modulation);

/// nu of the Maxwell-Boltzmann distribution P ~ exp(-nu |a|^2) over `points`, at their scale, which has that
/// entropy [bits]; std::invalid_argument outside those that it can have.
double maxwell_boltzmann(std::span<const std::complex<double>> points, double entropy_bits);

/// The lowest entropy that is taken [bits]: two bits are the signs of a point of unchanging amplitude, which
/// is QPSK and no shaped format.
inline constexpr double kLeastEntropy = 2.1;
/// The longest block that a matcher makes: what its whole numbers cost grows with the square.
inline constexpr std::size_t kLongestBlock = 4096;

/// The same format drawn with `entropy_bits` a symbol, Maxwell-Boltzmann (F. R. Kschischang and S. Pasupathy,
/// IEEE Trans. Inf. Theory 39(3) 913, 1993); with `matcher_block` above 0 by a constant-composition matcher
/// (matcher.h) of so many amplitudes, whose composition is then how often each is sent, in-phase and
/// quadrature of a symbol in turn. Signs are fair bits, which in probabilistic amplitude shaping hold the
/// code's parity (G. Boecherer, F. Steiner and P. Schulte, IEEE Trans. Commun. 63(12) 4651, 2015). All bits
/// of a symbol: the format as it is. Equal arguments give equal formats, which are kept until the program
/// ends. std::invalid_argument for a format that cannot be shaped, for entropies outside [kLeastEntropy,
/// bits] and for a block too short to hold every amplitude or above kLongestBlock.
Modulation shaped(Modulation modulation, double entropy_bits, std::size_t matcher_block = 0);

/// How a format reads: "64qam", "64qam of 4.887 bits", "64qam of 4.887 bits in blocks of 256"; no two alike.
std::string modulation_title(Modulation modulation);

/// Labels of `count` symbols as their shaping sends them, first bits first. With a matcher the symbols must
/// fill whole blocks, else std::invalid_argument.
Bits shaped_bits(Modulation modulation, std::size_t count, RandomStream random);

}  // namespace cohlink
