// Shaped formats against tables made by scripts that share nothing with this program.
#include "sim/signal/shaping.h"

#include <doctest/doctest.h>

#include <cmath>
#include <stdexcept>
#include <vector>

#include "sim/signal/awgn_information.h"
#include "sim/signal/matcher.h"
#include "sim/signal/units.h"

using namespace cohlink;

namespace {

const Modulation kQam64 = modulation_named("64qam");

// At the levels +-1, +-3, +-5, +-7.
double nu_at_whole_levels(const Constellation& c) {
  return c.shaping().nu * std::norm(c.axis().positive.front());
}

double snr_db_for_rate(Modulation m, double bits) {
  double low = 0.0, high = 30.0;
  for (int i = 0; i < 40; ++i) {
    const double middle = 0.5 * (low + high);
    (awgn_generalised_bits(constellation(m), from_db(middle)) > bits ? high : low) = middle;
  }
  return low;
}

}  // namespace

TEST_CASE("shaped 64QAM has the entropies, rates and NGMI of Gauss-Hermite quadrature in another language") {
  // nu at levels +-1 ... +-7 for the largest rate at each SNR, entropy, bit-metric rate, NGMI.
  struct Row {
    double snr_db, nu, entropy, rate, ngmi;
  };
  for (const Row& row : {Row{10, 0.070205, 4.8869, 3.44768, 0.7601},
                         {12, 0.050427, 5.2654, 4.04525, 0.7966},
                         {14, 0.036468, 5.5444, 4.62301, 0.8464},
                         {16, 0.024948, 5.7570, 5.14194, 0.8975},
                         {18, 0.015232, 5.9001, 5.55657, 0.9427},
                         {20, 0.007565, 5.9737, 5.83012, 0.9761}}) {
    CAPTURE(row.snr_db);
    const Constellation& c = constellation(shaped(kQam64, row.entropy));
    double power = 0.0, all = 0.0;
    for (std::size_t i = 0; i < c.size(); ++i) {
      power += c.probability(i) * std::norm(c[i]);
      all += c.probability(i);
    }
    CHECK(power == doctest::Approx(1.0).epsilon(1e-13));
    CHECK(all == doctest::Approx(1.0).epsilon(1e-13));
    CHECK(c.entropy() == doctest::Approx(row.entropy).epsilon(1e-12));
    // Four decimals of the entropy leave the fourth digit of nu open.
    CHECK(nu_at_whole_levels(c) == doctest::Approx(row.nu).epsilon(2e-3));
    CHECK(std::abs(awgn_generalised_bits(c, from_db(row.snr_db)) - row.rate) < 5e-5);
    CHECK(std::abs(awgn_ngmi(c, from_db(row.snr_db)) - row.ngmi) < 6e-5);
  }
}

TEST_CASE("shaping gains over uniform 64QAM what the same script says, at equal rate") {
  // nu at its best at each rate: the loss beside it is of second order, so a coarse search does.
  struct Row {
    double rate, gain_db;
  };
  for (const Row& row : {Row{3.6, 0.90}, {4.0, 0.87}, {4.5, 0.83}, {5.0, 0.73}}) {
    double best = 100.0;
    for (double entropy = row.rate + 0.6; entropy < 5.99; entropy += 0.1)
      best = std::min(best, snr_db_for_rate(shaped(kQam64, entropy), row.rate));
    CAPTURE(row.rate);
    CHECK(std::abs(snr_db_for_rate(kQam64, row.rate) - best - row.gain_db) < 0.01);
  }
}

TEST_CASE("a posteriori decisions of shaped points: BER and likelihoods as a sum over all points has them") {
  const Constellation& c = constellation(shaped(kQam64, 4.8869));
  const double noise = from_db(-10.0);
  auto random = RandomStreams(5).stream("noise");
  for (int n = 0; n < 4000; ++n) {
    const std::complex<double> y = 1.5 * random.complex_normal();
    unsigned likeliest = 0;
    const auto cost = [&](unsigned i) { return std::norm(y - c[i]) - noise * std::log(c.probability(i)); };
    for (unsigned i = 1; i < c.size(); ++i)
      if (cost(i) < cost(likeliest)) likeliest = i;
    CHECK(c.decide(y * c.posterior_scale(noise)) == likeliest);
  }
}

TEST_CASE("the composition of a block, its bits and its loss are those of Schulte and Boecherer's formula") {
  // Amplitudes 1, 3, 5, 7 at nu = 0.04, computed apart from this program: composition, bits, loss an
  // amplitude.
  struct Row {
    std::size_t block;
    std::vector<std::size_t> composition;
    std::size_t bits;
    double loss;
  };
  std::vector<double> p;
  double all = 0.0;
  for (const double a : {1.0, 3.0, 5.0, 7.0}) all += p.emplace_back(std::exp(-0.04 * a * a));
  for (double& share : p) share /= all;
  for (const Row& row :
       {Row{256, {114, 82, 43, 17}, 433, 0.0465}, {1024, {454, 330, 174, 66}, 1763, 0.0145}}) {
    CHECK(composition_of(p, row.block) == row.composition);
    const ConstantCompositionMatcher matcher(row.composition);
    CHECK(matcher.block() == row.block);
    CHECK(matcher.bits() == row.bits);
    CHECK(std::abs(matcher.loss() - row.loss) < 6e-5);
  }
  CHECK_THROWS_AS(composition_of(p, 8), std::invalid_argument);
}

TEST_CASE("a matcher's blocks: their composition, in the order of a dictionary, and their bits again") {
  const ConstantCompositionMatcher small({2, 1, 1});  // 12 arrangements, 3 bits: the first eight
  const std::vector<std::vector<unsigned>> first = {{0, 0, 1, 2}, {0, 0, 2, 1}, {0, 1, 0, 2}, {0, 1, 2, 0},
                                                    {0, 2, 0, 1}, {0, 2, 1, 0}, {1, 0, 0, 2}, {1, 0, 2, 0}};
  REQUIRE(small.bits() == 3);
  for (unsigned n = 0; n < 8; ++n) {
    const Bits bits = {static_cast<std::uint8_t>(n >> 2), static_cast<std::uint8_t>(n >> 1 & 1u),
                       static_cast<std::uint8_t>(n & 1u)};
    CHECK(small.match(bits) == first[n]);
    CHECK(small.dematch(first[n]) == bits);
  }
  const ConstantCompositionMatcher long_one({114, 82, 43, 17});
  auto random = RandomStreams(3).stream("bits");
  Bits bits(long_one.bits());
  for (int n = 0; n < 3; ++n) {
    for (auto& bit : bits) bit = static_cast<std::uint8_t>(random.bits() & 1u);
    CHECK(long_one.dematch(long_one.match(bits)) == bits);
  }
  CHECK_THROWS_AS(small.match(Bits(2)), std::invalid_argument);
  CHECK_THROWS_AS(small.dematch(std::vector<unsigned>{0, 0, 0, 1}), std::invalid_argument);
  CHECK_THROWS_AS(ConstantCompositionMatcher({5, 0}), std::invalid_argument);
}

TEST_CASE("shaped symbols are drawn as often as they should be, ideally and by a matcher") {
  for (const std::size_t block : {std::size_t{0}, std::size_t{256}}) {
    const Modulation m = shaped(kQam64, 5.0, block);
    const Constellation& c = constellation(m);
    constexpr std::size_t kCount = 16384;
    const Symbols symbols = map_bits(m, shaped_bits(m, kCount, RandomStreams(1).stream("bits-x")), false);
    std::vector<double> times(c.size());
    for (const auto& a : symbols) ++times[c.decide(a)];
    // Chi-squared of 63 degrees of freedom: mean 63, deviation 11.2; a matcher makes it smaller.
    double chi = 0.0;
    for (std::size_t i = 0; i < c.size(); ++i)
      chi += std::pow(times[i] - kCount * c.probability(i), 2) / (kCount * c.probability(i));
    CAPTURE(block);
    CHECK(chi < 63.0 + 4.0 * 11.2);
    double power = 0.0;
    for (const auto& a : symbols) power += std::norm(a) / kCount;
    if (block > 0)
      CHECK(power == doctest::Approx(1.0).epsilon(1e-12));  // whole blocks hold their composition
  }
  CHECK_THROWS_AS(shaped_bits(shaped(kQam64, 5.0, 256), 100, RandomStreams(1).stream("x")),
                  std::invalid_argument);
}

TEST_CASE("shaping says what it cannot do, and nothing where there is nothing to shape") {
  CHECK(shaped(kQam64, 6.0) == kQam64);
  CHECK(shaped(kQam64, 5.0) == shaped(kQam64, 5.0));
  CHECK(shaped(kQam64, 5.0) != shaped(kQam64, 5.0, 256));
  CHECK(modulation_title(shaped(Modulation::kQam16, 3.5)) == "16qam of 3.5 bits");
  CHECK_THROWS_AS(shaped(Modulation::kQpsk, 2.0), std::invalid_argument);
  CHECK_THROWS_AS(shaped(modulation_named("8qam"), 2.5), std::invalid_argument);
  CHECK_THROWS_AS(shaped(Modulation::kGaussian, 2.5), std::invalid_argument);
  CHECK_THROWS_AS(shaped(kQam64, 6.1), std::invalid_argument);
  CHECK_THROWS_AS(shaped(kQam64, 2.0), std::invalid_argument);
  CHECK_THROWS_AS(shaped(kQam64, 5.0, kLongestBlock + 1), std::invalid_argument);
  CHECK_THROWS_AS(shaped(kQam64, 5.0, 8), std::invalid_argument);  // no room for the outermost amplitude
}
