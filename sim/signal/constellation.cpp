#include "sim/signal/constellation.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <limits>
#include <stdexcept>

namespace cohlink {
namespace {

using Complex = std::complex<double>;

const double kSqrt2 = std::sqrt(2.0), kSqrt10 = std::sqrt(10.0);
constexpr std::array<double, 4> kLevels = {3, 1, -3, -1};  // Gray: 00 01 11 10 -> +3 +1 -1 -3

double gaussian_tail(double x) { return 0.5 * std::erfc(x / std::sqrt(2.0)); }

std::vector<Complex> make_points(Modulation modulation) {
  std::vector<Complex> points;
  if (modulation == Modulation::kQpsk) {
    for (unsigned index = 0; index < 4; ++index) {
      points.push_back(Complex(index & 2 ? -1 : 1, index & 1 ? -1 : 1) / kSqrt2);
    }
  } else if (modulation == Modulation::kQam16) {
    for (unsigned index = 0; index < 16; ++index)
      points.push_back(Complex(kLevels[index >> 2], kLevels[index & 3]) / kSqrt10);
  }
  return points;
}

unsigned nearest_level(double value) {  // of a 16QAM axis, unit mean power: index into kLevels
  const unsigned inner = std::abs(value) * kSqrt10 < 2.0 ? 1u : 0u;
  return (value < 0.0 ? 2u : 0u) | inner;
}

// Differential quadrant coding. A quadrant is a quarter turn count 0..3 from the upper right one; a
// symbol is i^quadrant times a point of that one. Gray code between two bits and a turn: 00 01 11 10.
unsigned gray_to_turns(unsigned two_bits) { return two_bits ^ (two_bits >> 1); }
unsigned turns_to_gray(unsigned turns) { return turns ^ (turns >> 1); }

Complex quarter_turns(unsigned turns) {
  constexpr std::array<Complex, 4> powers = {Complex(1, 0), Complex(0, 1), Complex(-1, 0), Complex(0, -1)};
  return powers[turns & 3];
}

unsigned quadrant_of(Complex s) {
  if (s.real() >= 0.0) return s.imag() >= 0.0 ? 0 : 3;
  return s.imag() >= 0.0 ? 1 : 2;
}

// The point of the upper right quadrant named by the inner bits (16QAM: 0 outer, 1 inner level an axis).
Complex quadrant_point(Modulation modulation, unsigned inner) {
  if (modulation == Modulation::kQpsk) return Complex(1, 1) / kSqrt2;
  return Complex(inner & 2 ? 1 : 3, inner & 1 ? 1 : 3) / kSqrt10;
}

unsigned inner_bits(Modulation modulation, Complex in_first_quadrant) {
  if (modulation == Modulation::kQpsk) return 0;
  return ((nearest_level(in_first_quadrant.real()) & 1) << 1) | (nearest_level(in_first_quadrant.imag()) & 1);
}

// Distribution of (quadrant error in turns, inner bit errors) for one symbol of differential 16QAM is a
// product over the axes; this gives, for a sent level (1 or 3), the probabilities of the decided sign and
// magnitude: [sign wrong][magnitude wrong].
std::array<std::array<double, 2>, 2> axis_outcomes(double level, double sigma) {
  const auto above = [&](double x) { return gaussian_tail((x - level) / sigma); };
  const double outer = above(2.0), inner = above(0.0) - outer;
  const double below_inner = above(-2.0) - above(0.0), below_outer = 1.0 - above(-2.0);
  if (level == 3.0) return {{{outer, inner}, {below_outer, below_inner}}};
  return {{{inner, outer}, {below_inner, below_outer}}};
}

}  // namespace

std::string_view modulation_name(Modulation modulation) {
  constexpr std::array<std::string_view, 3> names = {"qpsk", "16qam", "gaussian"};
  return names[static_cast<std::size_t>(modulation)];
}

int bits_per_symbol(Modulation modulation) {
  constexpr std::array<int, 3> bits = {2, 4, 0};
  return bits[static_cast<std::size_t>(modulation)];
}

const std::vector<Complex>& constellation(Modulation modulation) {
  static const std::array<std::vector<Complex>, 3> points = {
      make_points(Modulation::kQpsk), make_points(Modulation::kQam16), make_points(Modulation::kGaussian)};
  return points[static_cast<std::size_t>(modulation)];
}

unsigned nearest_index(Modulation modulation, Complex s) {
  if (modulation == Modulation::kQpsk) return (s.real() < 0.0 ? 2u : 0u) | (s.imag() < 0.0 ? 1u : 0u);
  if (modulation == Modulation::kQam16) return (nearest_level(s.real()) << 2) | nearest_level(s.imag());
  throw std::invalid_argument("Gaussian symbols have no constellation");
}

Complex nearest_point(Modulation modulation, Complex s) {
  return constellation(modulation)[nearest_index(modulation, s)];
}

Symbols map_bits(Modulation modulation, std::span<const std::uint8_t> bits, bool differential) {
  const auto per_symbol = static_cast<std::size_t>(bits_per_symbol(modulation));
  if (per_symbol == 0 || bits.size() % per_symbol != 0)
    throw std::invalid_argument("bits do not fill whole symbols");
  Symbols symbols(bits.size() / per_symbol);
  unsigned quadrant = 0;
  for (std::size_t k = 0; k < symbols.size(); ++k) {
    unsigned index = 0;
    for (std::size_t b = 0; b < per_symbol; ++b) index = (index << 1) | bits[k * per_symbol + b];
    if (!differential) {
      symbols[k] = constellation(modulation)[index];
      continue;
    }
    const auto inner_count = static_cast<unsigned>(per_symbol) - 2;
    quadrant += gray_to_turns(index >> inner_count);
    symbols[k] = quarter_turns(quadrant) * quadrant_point(modulation, index & ((1u << inner_count) - 1));
  }
  return symbols;
}

Bits decide_bits(Modulation modulation, std::span<const Complex> symbols, bool differential) {
  const auto per_symbol = static_cast<unsigned>(bits_per_symbol(modulation));
  Bits bits(symbols.size() * per_symbol);
  unsigned before = 0;
  for (std::size_t k = 0; k < symbols.size(); ++k) {
    unsigned index = 0;
    if (differential) {
      const unsigned quadrant = quadrant_of(symbols[k]);
      const unsigned turns = (quadrant + 4 - before) & 3;
      index = (turns_to_gray(turns) << (per_symbol - 2)) |
              inner_bits(modulation, symbols[k] * quarter_turns(4 - quadrant));
      before = quadrant;
    } else {
      index = nearest_index(modulation, symbols[k]);
    }
    for (unsigned b = 0; b < per_symbol; ++b) {
      bits[k * per_symbol + b] = static_cast<std::uint8_t>((index >> (per_symbol - 1 - b)) & 1);
    }
  }
  return bits;
}

double theory_ber(Modulation modulation, double snr) {
  if (modulation == Modulation::kQpsk) return gaussian_tail(std::sqrt(snr));
  if (modulation == Modulation::kQam16) {
    const double a = std::sqrt(snr / 5.0);
    return 0.25 * (3.0 * gaussian_tail(a) + 2.0 * gaussian_tail(3.0 * a) - gaussian_tail(5.0 * a));
  }
  return std::numeric_limits<double>::quiet_NaN();
}

double theory_ber_differential(Modulation modulation, double snr) {
  if (modulation == Modulation::kGaussian) return std::numeric_limits<double>::quiet_NaN();
  // Noise per axis in units of the level spacing's half: QPSK level 1 at SNR = Es/N0 = 1/sigma^2.
  if (modulation == Modulation::kQpsk) {
    const double p = theory_ber(modulation, snr);
    return 2.0 * p * (1.0 - p);
  }
  // Quadrant turns of one symbol: 0, 1 or 3 (one axis sign wrong), 2 (both); average over the four points.
  const double sigma = std::sqrt(5.0 / snr);  // levels +-1, +-3: Es = 10, N0/2 = 5/snr
  std::array<double, 4> turns = {0, 0, 0, 0};
  double inner_errors = 0.0;
  for (const double level_i : {1.0, 3.0}) {
    for (const double level_q : {1.0, 3.0}) {
      const auto i = axis_outcomes(level_i, sigma), q = axis_outcomes(level_q, sigma);
      for (unsigned si = 0; si < 2; ++si) {
        for (unsigned sq = 0; sq < 2; ++sq) {
          for (unsigned mi = 0; mi < 2; ++mi) {
            for (unsigned mq = 0; mq < 2; ++mq) {
              const double p = 0.25 * i[si][mi] * q[sq][mq];
              // From quadrant 0: sign of I wrong is turn 1, of Q turn 3, both turn 2. After an odd turn
              // the receiver, turning back, reads the axes exchanged.
              const unsigned turn = si != 0 && sq != 0 ? 2 : (si != 0 ? 1 : (sq != 0 ? 3 : 0));
              turns[turn] += p;
              const unsigned sent_i = level_i == 1.0, sent_q = level_q == 1.0;
              unsigned got_i = sent_i ^ mi, got_q = sent_q ^ mq;
              if (turn % 2 == 1) std::swap(got_i, got_q);
              inner_errors += p * ((got_i != sent_i) + (got_q != sent_q));
            }
          }
        }
      }
    }
  }
  // Two independent quadrant errors, subtracted: a net odd turn costs one Gray bit, a half turn two.
  double quadrant_errors = 0.0;
  for (unsigned a = 0; a < 4; ++a) {
    for (unsigned b = 0; b < 4; ++b) {
      const unsigned net = (a + 4 - b) & 3;
      quadrant_errors += turns[a] * turns[b] * (net == 2 ? 2.0 : (net == 0 ? 0.0 : 1.0));
    }
  }
  return (quadrant_errors + inner_errors) / 4.0;
}

double error_bunching(Modulation modulation, bool differential) {
  if (!differential || bits_per_symbol(modulation) == 0) return 1.0;
  const auto& points = constellation(modulation);
  double least = std::numeric_limits<double>::infinity();
  for (std::size_t k = 1; k < points.size(); ++k) least = std::min(least, std::abs(points[k] - points[0]));
  double sum = 0.0, squares = 0.0;
  for (const Complex& sent : points) {
    for (const Complex& decided : points) {
      const double distance = std::abs(decided - sent);
      if (distance == 0.0 || distance > 1.01 * least) continue;
      // The symbol after is decided rightly; whichever it is, its quadrant is taken from the wrong one.
      const Bits right = decide_bits(modulation, std::array{sent, points[0]}, true),
                 wrong = decide_bits(modulation, std::array{decided, points[0]}, true);
      double cost = 0.0;
      for (std::size_t b = 0; b < right.size(); ++b) cost += right[b] != wrong[b];
      sum += cost;
      squares += cost * cost;
    }
  }
  return squares / sum;
}

double theory_snr(Modulation modulation, double ber) {
  if (!(ber > 0.0 && ber < 0.4)) throw std::invalid_argument("theory_snr wants a BER between 0 and 0.4");
  double low = 1e-4, high = 1e6;
  for (int i = 0; i < 200; ++i) {
    const double mid = std::sqrt(low * high);
    (theory_ber(modulation, mid) > ber ? low : high) = mid;
  }
  return std::sqrt(low * high);
}

}  // namespace cohlink
