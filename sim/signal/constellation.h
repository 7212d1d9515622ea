// Constellations as data: points and what follows from them, plain or with differential quadrant coding, at
// unit mean power. A format is one row of the table in constellation_table.cpp.
#pragma once

#include <array>
#include <complex>
#include <cstdint>
#include <span>
#include <string>
#include <string_view>
#include <vector>

namespace cohlink {

class Constellation;

/// The name of a format: its row in the table, and how its points are drawn where not all alike (shaping.h).
class Modulation {
 public:
  constexpr explicit Modulation(std::size_t row = 0, const Constellation* shaped = nullptr)
      : row_(row), shaped_(shaped) {}
  constexpr std::size_t row() const { return row_; }
  /// The constellation drawn in its way, one for each way; none where all points are sent equally often.
  constexpr const Constellation* shaped() const { return shaped_; }
  friend constexpr bool operator==(Modulation, Modulation) = default;

  static const Modulation kQpsk, kQam16, kGaussian;  // those that much is said of in the trade's literature

 private:
  std::size_t row_;
  const Constellation* shaped_;
};
inline constexpr Modulation Modulation::kQpsk{0}, Modulation::kQam16{1}, Modulation::kGaussian{2};

using Bits = std::vector<std::uint8_t>;             // one bit an element, 0 or 1
using Symbols = std::vector<std::complex<double>>;  // one symbol an element, unit mean power

/// Points of one radius.
struct Ring {
  double power = 1;                   // squared radius
  double border = 0;                  // squared radius half way to the ring outside it; infinite for the last
  double share = 1;                   // of the symbols
  std::complex<double> fourth_power;  // mean of (a / |a|)^4: of magnitude 1 where all its points agree on it
};

/// One axis of a constellation whose real and imaginary parts are independent and alike: levels of equal
/// distance about zero.
struct AxisLevels {
  std::vector<double> level;  // index = the axis's bits read as a number; empty where there is no such axis
  std::vector<double> positive;  // levels above zero, ascending
  double spacing = 0;
  std::size_t count() const { return level.size(); }
};

/// How often each point of a shaped format is sent.
struct Shaping {
  double entropy_bits = 0.0;      // of a symbol, as asked for
  std::size_t matcher_block = 0;  // amplitudes that a distribution matcher makes at a time; 0 = ideal
  double nu = 0.0;                // P ~ exp(-nu |a|^2); of the points given, in a Constellation at unit power
  double loss_bits = 0.0;         // of a symbol, what the matcher's finite block takes from its entropy
  std::vector<double> probability = {};  // of each point, by its label
};

/// Points, labels and what follows from them. Without points: circular Gaussian symbols, which carry no bits.
class Constellation {
 public:
  /// Points with their labels (index = bits read as a number, first bit most significant), at any scale; a
  /// power of two of them that a quarter turn leaves in place, else std::invalid_argument.
  /// `shaping`: a probability for each point or for none, else std::invalid_argument; unit mean power is that
  /// of what is sent.
  Constellation(std::string_view name, std::vector<std::complex<double>> points, Shaping shaping = {});

  std::string_view name() const { return name_; }
  int bits() const { return bits_; }
  bool empty() const { return points_.empty(); }
  std::size_t size() const { return points_.size(); }
  const std::complex<double>& operator[](std::size_t index) const { return points_[index]; }
  auto begin() const { return points_.begin(); }
  auto end() const { return points_.end(); }
  std::span<const std::complex<float>> single() const { return single_; }  // the same in single precision
  /// How often each point is sent.
  double probability(std::size_t index) const {
    return is_shaped() ? shaping_.probability[index] : 1.0 / static_cast<double>(points_.size());
  }
  bool is_shaped() const { return !shaping_.probability.empty(); }
  const Shaping& shaping() const { return shaping_; }
  double entropy() const { return entropy_; }  // bits a symbol
  /// What a received symbol (gain 1, noise of mean power `noise`) is to be scaled by for its nearest point to
  /// be the likeliest one a posteriori: |y - a|^2 - N0 ln P(a) with P ~ exp(-nu |a|^2) is, but for what does
  /// not depend on a, (1 + nu N0) |y / (1 + nu N0) - a|^2. 1 where all points are alike.
  double posterior_scale(double noise) const { return 1.0 / (1.0 + shaping_.nu * noise); }

  double fourth_moment() const { return fourth_; }       // E|a|^4 at E|a|^2 = 1: the kurtosis
  double sixth_moment() const { return sixth_; }         // E|a|^6
  double axis_modulus() const { return axis_modulus_; }  // E a_I^4 / E a_I^2
  double minimum_distance() const { return minimum_distance_; }
  const std::vector<Ring>& rings() const { return rings_; }  // ascending; one at unit power without points
  bool one_ring() const { return rings_.size() == 1 && !empty(); }
  const AxisLevels& axis() const { return axis_; }

  /// Index of the nearest point; on borders of square constellations the upper, right one.
  /// std::invalid_argument without points.
  unsigned decide(std::complex<double> symbol) const;

  /// A point as quarter turns (0 to 3) of one whose angle lies in [0, pi/2), which the remaining bits name:
  /// all bits of a label but those that are the same over that quarter.
  struct Place {
    unsigned turns = 0, inner = 0;
  };
  const Place& place(unsigned index) const { return places_[index]; }
  unsigned index_of(const Place& place) const { return from_place_[place.turns & 3u][place.inner]; }

 private:
  void find_moments();
  void find_rings();
  void find_axis();
  void find_places();

  std::string_view name_;
  int bits_ = 0;
  Shaping shaping_;
  double entropy_ = 0.0;
  std::vector<std::complex<double>> points_;
  std::vector<std::complex<float>> single_;
  double fourth_ = 2, sixth_ = 6, axis_modulus_ = 1.5, minimum_distance_ = 0;
  std::vector<Ring> rings_;
  AxisLevels axis_;
  std::vector<double> axis_borders_;                 // between positive levels
  std::array<std::vector<unsigned>, 2> axis_label_;  // [negative][which positive level, from zero]
  std::vector<Place> places_;
  std::array<std::vector<unsigned>, 4> from_place_;
};

/// The table: all formats, in the order of their rows.
const std::vector<Constellation>& constellations();
const Constellation& constellation(Modulation modulation);

/// Names of all formats, as "qpsk|16qam|...".
const std::string& modulation_names();
/// The format of that name; std::invalid_argument for one that the table does not have.
Modulation modulation_named(std::string_view name);

std::string_view modulation_name(Modulation modulation);
/// 0 for Gaussian symbols, which carry none.
int bits_per_symbol(Modulation modulation);

/// Constellation::decide, and the point itself.
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

/// Bit error ratio of coherent detection in white Gaussian noise at `snr` = Es/N0 (linear), nearest-point
/// decisions (a posteriori ones where points are shaped), no differential coding: bits that differ, over all
/// pairs of points, weighted with how often one is taken for the other (transitions.h). Exact; for QPSK that
/// of Proakis, Digital Communications, ch. 4; for square QAM that of Cho and Yoon, IEEE Trans. Commun. 50(7)
/// 1074 (2002). NaN for Gaussian symbols.
double theory_ber(Modulation modulation, double snr);

/// The same with differential quadrant coding and perfect phase: the exact sum over decided quadrant and
/// inner bits.
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
