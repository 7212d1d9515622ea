#include "sim/signal/constellation.h"

#include <algorithm>
#include <bit>
#include <cmath>
#include <limits>
#include <numeric>
#include <stdexcept>

#include "sim/signal/transitions.h"

namespace cohlink {
namespace {

using Complex = std::complex<double>;

constexpr double kAlike = 1e-9;  // of numbers that differ by rounding alone
constexpr double kInfinity = std::numeric_limits<double>::infinity();

// Gray code between two bits and a quarter turn: 00 01 11 10.
unsigned gray_to_turns(unsigned two_bits) { return two_bits ^ (two_bits >> 1); }
unsigned turns_to_gray(unsigned turns) { return turns ^ (turns >> 1); }

Complex turned(Complex a, unsigned turns) {
  constexpr std::array<Complex, 4> powers = {Complex(1, 0), Complex(0, 1), Complex(-1, 0), Complex(0, -1)};
  return a * powers[turns & 3u];
}

}  // namespace

Constellation::Constellation(std::string_view name, std::vector<Complex> points, Shaping shaping)
    : name_(name),
      shaping_(std::move(shaping)),
      points_(std::move(points)),
      rings_{{1.0, kInfinity, 1.0, 0.0}} {
  if (empty()) return;
  if (!std::has_single_bit(size()) || size() < 4)
    throw std::invalid_argument("a constellation has a power of two of points, four at least");
  if (is_shaped() && shaping_.probability.size() != size())
    throw std::invalid_argument("a shaped constellation needs a probability for each point");
  bits_ = std::countr_zero(size());
  double power = 0.0;
  for (std::size_t i = 0; i < size(); ++i) {
    power += probability(i) * std::norm(points_[i]);
    entropy_ -= probability(i) > 0.0 ? probability(i) * std::log2(probability(i)) : 0.0;
  }
  for (Complex& a : points_) a /= std::sqrt(power);
  shaping_.nu *= power;
  single_.assign(points_.begin(), points_.end());
  find_moments();
  find_rings();
  find_axis();
  find_places();
}

void Constellation::find_moments() {
  fourth_ = sixth_ = 0.0;
  double axis_second = 0.0, axis_fourth = 0.0;
  for (std::size_t i = 0; i < size(); ++i) {
    const double power = std::norm(points_[i]), in_phase = points_[i].real() * points_[i].real();
    fourth_ += probability(i) * power * power;
    sixth_ += probability(i) * power * power * power;
    axis_second += probability(i) * in_phase;
    axis_fourth += probability(i) * in_phase * in_phase;
  }
  axis_modulus_ = axis_fourth / axis_second;
  minimum_distance_ = kInfinity;
  for (std::size_t i = 0; i < size(); ++i)
    for (std::size_t j = 0; j < i; ++j)
      minimum_distance_ = std::min(minimum_distance_, std::abs(points_[i] - points_[j]));
}

void Constellation::find_rings() {
  rings_.clear();
  std::vector<std::size_t> by_radius(size());
  std::iota(by_radius.begin(), by_radius.end(), std::size_t{0});
  std::sort(by_radius.begin(), by_radius.end(),
            [&](std::size_t a, std::size_t b) { return std::norm(points_[a]) < std::norm(points_[b]); });
  for (const std::size_t i : by_radius) {
    const Complex& a = points_[i];
    const double power = std::norm(a), share = probability(i);
    if (rings_.empty() || power > rings_.back().power + kAlike)
      rings_.push_back({power, kInfinity, 0.0, 0.0});
    rings_.back().share += share;
    rings_.back().fourth_power += share * a * a * a * a / (power * power);
  }
  for (std::size_t r = 0; r < rings_.size(); ++r) {
    rings_[r].fourth_power /= rings_[r].share;
    if (r + 1 == rings_.size()) continue;
    const double half_way = 0.5 * (std::sqrt(rings_[r].power) + std::sqrt(rings_[r + 1].power));
    rings_[r].border = half_way * half_way;
  }
}

// Real parts named by the first half of the bits alone, imaginary ones by the second, both in the same way.
void Constellation::find_axis() {
  if (bits_ % 2 != 0) return;
  const std::size_t count = std::size_t{1} << (bits_ / 2);
  AxisLevels axis;
  for (std::size_t i = 0; i < count; ++i) axis.level.push_back(points_[i * count].real());
  for (std::size_t i = 0; i < size(); ++i)
    if (std::abs(points_[i] - Complex(axis.level[i / count], axis.level[i % count])) > kAlike) return;
  std::vector<double> sorted = axis.level;
  std::sort(sorted.begin(), sorted.end());
  axis.spacing = sorted[1] - sorted[0];
  for (std::size_t i = 0; i < count; ++i)
    if (std::abs(sorted[i] - axis.spacing * (static_cast<double>(i) - 0.5 * static_cast<double>(count - 1))) >
        kAlike)
      return;
  axis.positive.assign(sorted.begin() + static_cast<std::ptrdiff_t>(count / 2), sorted.end());
  for (std::size_t i = 0; i + 1 < axis.positive.size(); ++i)
    axis_borders_.push_back(0.5 * (axis.positive[i] + axis.positive[i + 1]));
  for (auto& label : axis_label_) label.resize(count / 2);
  for (std::size_t i = 0; i < count; ++i) {
    const double from_zero = std::abs(axis.level[i]) / axis.spacing - 0.5;
    axis_label_[axis.level[i] < 0.0][static_cast<std::size_t>(std::lround(from_zero))] =
        static_cast<unsigned>(i);
  }
  axis_ = axis;
}

void Constellation::find_places() {
  const double quarter = std::acos(0.0);
  std::vector<unsigned> first;  // labels of the points of the first quarter
  places_.resize(size());
  for (unsigned i = 0; i < size(); ++i) {
    const double angle = std::arg(points_[i]) + 4.0 * quarter;
    places_[i].turns = static_cast<unsigned>(angle / quarter + kAlike) & 3u;
    if (places_[i].turns == 0) first.push_back(i);
  }
  unsigned varying = 0;
  for (const unsigned label : first) varying |= label ^ first.front();
  const auto inner = [&](unsigned label) {
    unsigned bits = 0;
    for (int b = bits_ - 1; b >= 0; --b)
      if ((varying >> b & 1u) != 0) bits = bits << 1 | (label >> b & 1u);
    return bits;
  };
  for (auto& labels : from_place_) labels.assign(size() / 4, static_cast<unsigned>(size()));
  if (std::popcount(varying) != bits_ - 2 || 4 * first.size() != size())
    throw std::invalid_argument(
        "a constellation's quarters hold as many points each, told by all bits but two");
  for (const unsigned label : first)
    for (unsigned t = 0; t < 4; ++t) {
      const Complex where = turned(points_[label], t);
      const auto at = std::find_if(points_.begin(), points_.end(),
                                   [&](const Complex& a) { return std::abs(a - where) < kAlike; });
      if (at == points_.end())
        throw std::invalid_argument("a quarter turn must leave a constellation in place");
      const auto index = static_cast<unsigned>(at - points_.begin());
      places_[index] = {t, inner(label)};
      from_place_[t][inner(label)] = index;
    }
}

unsigned Constellation::decide(Complex s) const {
  if (empty()) throw std::invalid_argument("Gaussian symbols have no constellation");
  if (axis_.count() > 0) {
    const auto label = [&](double u) {
      const double size = std::abs(u);
      std::size_t place = 0;
      for (const double border : axis_borders_) place += size >= border;
      return axis_label_[u < 0.0][place];
    };
    return label(s.real()) << (bits_ / 2) | label(s.imag());
  }
  unsigned nearest = 0;
  for (unsigned i = 1; i < size(); ++i)
    if (std::norm(s - points_[i]) < std::norm(s - points_[nearest])) nearest = i;
  return nearest;
}

const Constellation& constellation(Modulation modulation) {
  return modulation.shaped() != nullptr ? *modulation.shaped() : constellations()[modulation.row()];
}

const std::string& modulation_names() {
  static const std::string names = [] {
    std::string all;
    for (const Constellation& c : constellations()) all += (all.empty() ? "" : "|") + std::string(c.name());
    return all;
  }();
  return names;
}

Modulation modulation_named(std::string_view name) {
  for (std::size_t row = 0; row < constellations().size(); ++row)
    if (constellations()[row].name() == name) return Modulation(row);
  throw std::invalid_argument("no modulation is called " + std::string(name));
}

std::string_view modulation_name(Modulation modulation) { return constellation(modulation).name(); }

int bits_per_symbol(Modulation modulation) { return constellation(modulation).bits(); }

unsigned nearest_index(Modulation modulation, Complex s) { return constellation(modulation).decide(s); }

Complex nearest_point(Modulation modulation, Complex s) {
  const Constellation& c = constellation(modulation);
  return c[c.decide(s)];
}

Symbols map_bits(Modulation modulation, std::span<const std::uint8_t> bits, bool differential) {
  const Constellation& c = constellation(modulation);
  const auto per_symbol = static_cast<std::size_t>(c.bits());
  if (per_symbol == 0 || bits.size() % per_symbol != 0)
    throw std::invalid_argument("bits do not fill whole symbols");
  Symbols symbols(bits.size() / per_symbol);
  const auto inner_count = static_cast<unsigned>(per_symbol) - 2;
  unsigned quadrant = 0;
  for (std::size_t k = 0; k < symbols.size(); ++k) {
    unsigned index = 0;
    for (std::size_t b = 0; b < per_symbol; ++b) index = (index << 1) | bits[k * per_symbol + b];
    if (differential) {
      quadrant += gray_to_turns(index >> inner_count);
      index = c.index_of({quadrant, index & ((1u << inner_count) - 1)});
    }
    symbols[k] = c[index];
  }
  return symbols;
}

Bits decide_bits(Modulation modulation, std::span<const Complex> symbols, bool differential) {
  const Constellation& c = constellation(modulation);
  const auto per_symbol = static_cast<unsigned>(c.bits());
  Bits bits(symbols.size() * per_symbol);
  unsigned before = 0;
  for (std::size_t k = 0; k < bits.size() / std::max(1u, per_symbol); ++k) {
    unsigned index = c.decide(symbols[k]);
    if (differential) {
      const Constellation::Place place = c.place(index);
      index = turns_to_gray((place.turns + 4 - before) & 3u) << (per_symbol - 2) | place.inner;
      before = place.turns;
    }
    for (unsigned b = 0; b < per_symbol; ++b)
      bits[k * per_symbol + b] = static_cast<std::uint8_t>((index >> (per_symbol - 1 - b)) & 1);
  }
  return bits;
}

double theory_ber(Modulation modulation, double snr) {
  const Constellation& c = constellation(modulation);
  if (c.empty()) return std::numeric_limits<double>::quiet_NaN();
  const auto p = transitions(c, snr);
  double errors = 0.0;
  for (unsigned sent = 0; sent < c.size(); ++sent)
    for (unsigned decided = 0; decided < c.size(); ++decided)
      errors += c.probability(sent) * p[sent][decided] * std::popcount(sent ^ decided);
  return errors / c.bits();
}

double theory_ber_differential(Modulation modulation, double snr) {
  const Constellation& c = constellation(modulation);
  if (c.empty()) return std::numeric_limits<double>::quiet_NaN();
  const auto p = transitions(c, snr);
  std::array<double, 4> turns = {0, 0, 0, 0};  // how often a quadrant is decided so many turns off
  double inner_errors = 0.0;
  for (unsigned sent = 0; sent < c.size(); ++sent)
    for (unsigned decided = 0; decided < c.size(); ++decided) {
      const double of = c.probability(sent) * p[sent][decided];
      const Constellation::Place from = c.place(sent), to = c.place(decided);
      turns[(to.turns + 4 - from.turns) & 3u] += of;
      inner_errors += of * std::popcount(from.inner ^ to.inner);
    }
  turns[0] = 1.0 - turns[1] - turns[2] - turns[3];
  // Two independent quadrant errors, subtracted: a net odd turn costs one Gray bit, a half turn two.
  double quadrant_errors = 0.0;
  for (unsigned a = 0; a < 4; ++a)
    for (unsigned b = 0; b < 4; ++b)
      quadrant_errors += turns[a] * turns[b] * std::popcount(turns_to_gray((a + 4 - b) & 3u));
  return (quadrant_errors + inner_errors) / c.bits();
}

double error_bunching(Modulation modulation, bool differential) {
  const Constellation& c = constellation(modulation);
  if (!differential || c.empty()) return 1.0;
  double sum = 0.0, squares = 0.0;
  for (const Complex& sent : c)
    for (const Complex& decided : c) {
      const double distance = std::abs(decided - sent);
      if (distance == 0.0 || distance > 1.01 * c.minimum_distance()) continue;
      // The symbol after is decided rightly; whichever it is, its quadrant is taken from the wrong one.
      const Bits right = decide_bits(modulation, std::array{sent, c[0]}, true),
                 wrong = decide_bits(modulation, std::array{decided, c[0]}, true);
      double cost = 0.0;
      for (std::size_t b = 0; b < right.size(); ++b) cost += right[b] != wrong[b];
      sum += cost;
      squares += cost * cost;
    }
  return squares / sum;
}

double theory_snr(Modulation modulation, double ber) {
  if (!(ber > 0.0 && ber < 0.4)) throw std::invalid_argument("theory_snr wants a BER between 0 and 0.4");
  double low = 1e-4, high = 1e6;
  while (high / low > 1.0 + 1e-14) {
    const double mid = std::sqrt(low * high);
    if (mid <= low || mid >= high) break;
    (theory_ber(modulation, mid) > ber ? low : high) = mid;
  }
  return std::sqrt(low * high);
}

}  // namespace cohlink
