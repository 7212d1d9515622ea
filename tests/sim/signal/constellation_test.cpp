#include "sim/signal/constellation.h"

#include <doctest/doctest.h>

#include <bit>
#include <cmath>
#include <string>

#include "sim/signal/field.h"
#include "sim/signal/random.h"
#include "sim/signal/transitions.h"
#include "sim/signal/units.h"

using namespace cohlink;
using Complex = std::complex<double>;

namespace {

// Least distance over all points, one after the other.
unsigned by_search(const Constellation& c, Complex y) {
  unsigned best = 0;
  for (unsigned i = 1; i < c.size(); ++i)
    if (std::abs(y - c[i]) < std::abs(y - c[best])) best = i;
  return best;
}

std::vector<Modulation> formats_with_bits() {
  std::vector<Modulation> formats;
  for (std::size_t row = 0; row < constellations().size(); ++row)
    if (!constellations()[row].empty()) formats.emplace_back(row);
  return formats;
}

Bits random_bits(std::size_t count) {
  auto random = RandomStreams(11).stream("bits");
  Bits bits(count);
  for (auto& bit : bits) bit = static_cast<std::uint8_t>(random.bits() & 1);
  return bits;
}

double gaussian_tail(double x) { return 0.5 * std::erfc(x / std::sqrt(2.0)); }

}  // namespace

TEST_CASE("every format: unit power, a name that leads back, decisions those of a search over all points") {
  for (const Modulation m : formats_with_bits()) {
    const Constellation& c = constellation(m);
    CAPTURE(std::string(c.name()));
    CHECK(modulation_named(c.name()) == m);
    double power = 0.0;
    for (const Complex& a : c) power += std::norm(a) / static_cast<double>(c.size());
    CHECK(power == doctest::Approx(1.0).epsilon(1e-14));
    CHECK(c.size() == std::size_t{1} << c.bits());
    auto noise = RandomStreams(12).stream("noise");
    for (int n = 0; n < 2000; ++n) {
      const Complex y = noise.complex_normal();
      CHECK(c.decide(y) == by_search(c, y));
    }
  }
  CHECK_THROWS_AS(modulation_named("9qam"), std::invalid_argument);
}

TEST_CASE(
    "every format: decisions invert the mapping, and a quarter turn changes nothing in differential coding") {
  for (const Modulation m : formats_with_bits()) {
    CAPTURE(std::string(modulation_name(m)));
    const auto per_symbol = static_cast<std::size_t>(bits_per_symbol(m));
    const Bits bits = random_bits(per_symbol * 500);
    for (const bool differential : {false, true})
      CHECK(decide_bits(m, map_bits(m, bits, differential), differential) == bits);
    Symbols symbols = map_bits(m, bits, true);
    for (auto& s : symbols) s *= Complex(0, 1);
    const Bits decided = decide_bits(m, symbols, true);
    CHECK(std::equal(bits.begin() + static_cast<long>(per_symbol), bits.end(),
                     decided.begin() + static_cast<long>(per_symbol)));
  }
}

TEST_CASE("8QAM: two rings of four turned by 45 degrees, all nearest neighbours equally far") {
  const Constellation& c = constellation(modulation_named("8qam"));
  CHECK(c.bits() == 3);
  REQUIRE(c.rings().size() == 2);
  // Ratio of the radii (1 + sqrt 3) / sqrt 2: inner neighbours, sqrt(2) r apart, are then as far from each
  // other as from the outer points between them (law of cosines at 45 degrees).
  const double ratio = (1.0 + std::sqrt(3.0)) / std::sqrt(2.0), inner = c.rings()[0].power;
  CHECK(std::sqrt(c.rings()[1].power / inner) == doctest::Approx(ratio).epsilon(1e-12));
  CHECK(c.minimum_distance() == doctest::Approx(std::sqrt(2.0 * inner)).epsilon(1e-12));
  CHECK(1.0 + ratio * ratio - std::sqrt(2.0) * ratio == doctest::Approx(2.0).epsilon(1e-12));
  // One bit tells the ring; within a ring neighbours differ in one bit.
  for (unsigned a = 0; a < c.size(); ++a)
    for (unsigned b = 0; b < c.size(); ++b) {
      CHECK(((a ^ b) & 1u) == (std::abs(std::norm(c[a]) - std::norm(c[b])) > 0.1));
      const double angle = std::abs(std::remainder(std::arg(c[a]) - std::arg(c[b]), kTwoPi));
      if (((a ^ b) & 1u) == 0 && std::abs(angle - 0.5 * kPi) < 1e-9) CHECK(std::popcount(a ^ b) == 1);
    }
}

TEST_CASE("square QAM is Gray, and its error ratio that of the closed forms") {
  for (const char* name : {"qpsk", "16qam", "64qam"}) {
    const Modulation m = modulation_named(name);
    const Constellation& c = constellation(m);
    for (unsigned a = 0; a < c.size(); ++a)
      for (unsigned b = 0; b < c.size(); ++b)
        if (a != b && std::abs(c[a] - c[b]) < 1.01 * c.minimum_distance()) CHECK(std::popcount(a ^ b) == 1);
  }
  // 16QAM: K. Cho and D. Yoon, IEEE Trans. Commun. 50(7) 1074 (2002).
  for (const double snr : {5.0, 30.0, 300.0}) {
    const double a = std::sqrt(snr / 5.0);
    CHECK(theory_ber(Modulation::kQam16, snr) ==
          doctest::Approx(0.25 *
                          (3.0 * gaussian_tail(a) + 2.0 * gaussian_tail(3.0 * a) - gaussian_tail(5.0 * a)))
              .epsilon(1e-12));
    CHECK(theory_ber(Modulation::kQpsk, snr) ==
          doctest::Approx(gaussian_tail(std::sqrt(snr))).epsilon(1e-12));
  }
  // The same paper's sum for 64QAM: bit k of an axis with 8 levels, evaluated apart from this program.
  CHECK(to_db(theory_snr(modulation_named("64qam"), 1e-3)) == doctest::Approx(22.549).epsilon(1e-4));
  CHECK(to_db(theory_snr(modulation_named("64qam"), 2e-2)) == doctest::Approx(18.430).epsilon(1e-4));
}

TEST_CASE("the integral over decision regions: QPSK on its points' axes has QPSK's error ratio") {
  // Turned by 45 degrees its axes are not independent, so that the polygons are integrated. Right with
  // probability (1 - Q(sqrt(SNR)))^2 whatever the angle.
  const Constellation turned("turned", {{1, 0}, {0, -1}, {0, 1}, {-1, 0}});
  REQUIRE(turned.axis().count() == 0);
  for (const double snr_db : {0.0, 7.0, 13.0, 16.0}) {
    const double q = gaussian_tail(std::sqrt(from_db(snr_db)));
    const auto p = transitions(turned, from_db(snr_db));
    for (const auto& row : p) {
      double wrong = 0.0;
      for (const double of : row) wrong += of;
      CHECK(wrong == doctest::Approx(2.0 * q - q * q).epsilon(1e-8));
    }
  }
}

TEST_CASE(
    "error ratios of 8QAM and 64QAM are those that a search over all points counts, also differentially") {
  for (const char* name : {"8qam", "64qam"})
    for (const bool differential : {false, true}) {
      const Modulation m = modulation_named(name);
      const Constellation& c = constellation(m);
      const double snr = from_db(name == std::string("8qam") ? 9.0 : 17.0);
      const Bits bits = random_bits(static_cast<std::size_t>(c.bits()) * 200000);
      Symbols symbols = map_bits(m, bits, differential);
      auto noise = RandomStreams(13).stream("noise");
      for (auto& y : symbols) y = c[by_search(c, y + noise.complex_normal() / std::sqrt(snr))];
      const Bits decided = decide_bits(m, symbols, differential);
      double errors = 0.0;
      for (std::size_t i = 0; i < bits.size(); ++i) errors += bits[i] != decided[i];
      const auto count = static_cast<double>(bits.size());
      const double expected = count * (differential ? theory_ber_differential(m, snr) : theory_ber(m, snr));
      // Four standard errors; a wrong symbol costs up to c.bits() of them in one go.
      CAPTURE(std::string(name));
      CHECK(std::abs(errors - expected) < 4.0 * std::sqrt(expected * c.bits()));
    }
}

TEST_CASE("a constellation that a quarter turn moves, or whose quarters the bits do not tell, is refused") {
  CHECK_THROWS_AS(Constellation("three", {{1, 0}, {0, 1}, {-1, 0}}), std::invalid_argument);
  CHECK_THROWS_AS(Constellation("line", {{3, 0.1}, {1, 0.1}, {-1, -0.1}, {-3, -0.1}}), std::invalid_argument);
}
