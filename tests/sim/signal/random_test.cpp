#include "sim/signal/random.h"

#include <doctest/doctest.h>

#include <algorithm>
#include <boost/math/distributions/chi_squared.hpp>
#include <boost/math/distributions/normal.hpp>
#include <cmath>
#include <complex>
#include <set>
#include <vector>

#include "sim/signal/execution/fft.h"
#include "sim/signal/normals.h"
#include "sim/signal/philox.h"
#include "sim/signal/units.h"

using namespace cohlink;

namespace {

std::vector<double> normals_of(const RandomStream& stream, std::size_t count) {
  std::vector<double> out(count);
  stream.fill_normals(0, 1.0, std::span(out));
  return out;
}

// Mean of a product of two rows of unit variance, in units of its standard error when they are independent.
double correlation(const std::vector<double>& a, const std::vector<double>& b, std::size_t lag) {
  double sum = 0.0;
  for (std::size_t i = 0; i + lag < a.size(); ++i) sum += a[i] * b[i + lag];
  return sum / std::sqrt(static_cast<double>(a.size() - lag));
}

}  // namespace

TEST_CASE("Philox4x32-10 gives its authors' known answers") {
  // kat_vectors of Salmon, Moraes, Dror, Shaw, SC'11, doi 10.1145/2063384.2063405.
  constexpr std::uint32_t kOnes = 0xffffffffu;
  CHECK(philox::block({0, 0, 0, 0}, {0, 0}) ==
        philox::Block{0x6627e8d5u, 0xe169c58du, 0xbc57ac4cu, 0x9b00dbd8u});
  CHECK(philox::block({kOnes, kOnes, kOnes, kOnes}, {kOnes, kOnes}) ==
        philox::Block{0x408f276du, 0x41c83b0eu, 0xa20bc7c6u, 0x6d5451fdu});
  CHECK(philox::block({0x243f6a88u, 0x85a308d3u, 0x13198a2eu, 0x03707344u}, {0xa4093822u, 0x299f31d0u}) ==
        philox::Block{0xd16cfe09u, 0x94fdccebu, 0x5001e420u, 0x24126ea1u});
}

TEST_CASE("normals follow the stated map in every instruction set and both precisions") {
  constexpr std::size_t kGranules = 64, kCount = kGranules * normals::kGranule;
  // Far into the stream, so that both halves of the block number count.
  const std::uint64_t key = 0x0123456789abcdefu, first = (std::uint64_t{1} << 32) - 20;
  std::vector<double> expected(kCount), length(kCount);
  for (std::size_t pair = 0; pair < kCount / 2; ++pair) {
    const std::uint64_t number = first * (normals::kGranule / 2) + pair;
    const std::uint64_t w = philox::words(key, number / 2, philox::Purpose::kNormals)[number % 2];
    const double u = 1.0 - static_cast<double>(w >> 24) * 0x1p-40;
    const double angle = kTwoPi * (static_cast<double>(w & 0xffffffu) * 0x1p-24);
    const double radius = 1.5 * std::sqrt(-2.0 * std::log(u));
    length[2 * pair] = length[2 * pair + 1] = radius;
    expected[2 * pair] = radius * std::cos(angle);
    expected[2 * pair + 1] = radius * std::sin(angle);
  }
  for (const char* name : {"portable", "avx2", "avx512"}) {
    CAPTURE(name);
    const auto fill = normals::named_fill<double>(name);
    if (fill == nullptr) continue;  // this processor lacks it
    std::vector<double> made(kCount);
    fill(key, first, kGranules, 1.5, made.data());
    std::vector<float> rounded(kCount);
    normals::named_fill<float>(name)(key, first, kGranules, 1.5, rounded.data());
    double worst = 0.0, worst_single = 0.0;
    for (std::size_t i = 0; i < kCount; ++i) {
      worst = std::max(worst, std::abs(made[i] - expected[i]) / length[i]);
      worst_single =
          std::max(worst_single, std::abs(static_cast<double>(rounded[i]) - expected[i]) / length[i]);
    }
    // Half the logarithm's 2e-7 and two roundings, five more behind the root.
    CHECK(worst < 5e-7);
    CHECK(worst_single < 5e-7);
  }
}

TEST_CASE("a normal is a function of its number: by itself, in bulk from anywhere, one after the other") {
  const RandomStream stream = RandomStreams(3).stream("ase-span-2");
  const std::vector<double> all = normals_of(stream, 1000);
  for (const std::size_t first : {0, 1, 127, 128, 129, 511}) {
    for (const std::size_t count : {1, 2, 127, 128, 300}) {
      std::vector<double> part(count);
      stream.fill_normals(first, 1.0, std::span(part));
      CHECK(std::equal(part.begin(), part.end(), all.begin() + static_cast<std::ptrdiff_t>(first)));
    }
  }
  RandomStream drawn = stream;
  for (std::size_t i = 0; i < 300; ++i) {
    if (i % 7 == 0) drawn.uniform();  // uses up no normals
    CHECK(drawn.normal() == all[i]);
  }
  std::vector<std::complex<double>> noise(100, 5.0);
  stream.add_noise(3, 2.0, std::span(noise));
  for (std::size_t k = 0; k < noise.size(); ++k) {
    const std::complex<double> z(all[2 * k + 6], all[2 * k + 7]);
    CHECK(std::abs(noise[k] - (5.0 + 2.0 * std::sqrt(0.5) * z)) < 1e-14);
  }
}

TEST_CASE("streams repeat, and differ by seed, source, frame, point and instance") {
  std::set<std::uint64_t> first;
  for (const auto& streams : {RandomStreams(1, 0, 0), RandomStreams(2, 0, 0), RandomStreams(1, 1, 0),
                              RandomStreams(1, 0, 1), RandomStreams(1).of("channel-3")}) {
    for (const char* source : {"bits-x", "bits-y", "tx-phase"}) {
      CHECK(streams.stream(source).bits() == streams.stream(source).bits());
      first.insert(streams.stream(source).bits());
    }
  }
  CHECK(first.size() == 15);
}

TEST_CASE("normals have the moments of the normal distribution") {
  constexpr std::size_t kCount = 1 << 20;
  const std::vector<double> z = normals_of(RandomStreams(11).stream("noise"), kCount);
  double moment[9] = {};
  for (const double x : z) {
    double power = 1.0;
    for (int k = 1; k <= 8; ++k) moment[k] += (power *= x) / kCount;
  }
  // E z^k = 0, 1, 0, 3, 0, 15, 0, 105 and E z^2k - (E z^k)^2 is the variance of z^k: four standard errors.
  const double moments[17] = {1, 0, 1, 0, 3, 0, 15, 0, 105, 0, 945, 0, 10395, 0, 135135, 0, 2027025};
  for (int k = 1; k <= 8; ++k) {
    CAPTURE(k);
    const double error = std::sqrt((moments[2 * k] - moments[k] * moments[k]) / kCount);
    CHECK(std::abs(moment[k] - moments[k]) < 4.0 * error);
  }
}

TEST_CASE("normals pass Kolmogorov and Smirnov's test, and their tails hold as many as they must") {
  constexpr std::size_t kCount = 1 << 20;
  std::vector<double> z = normals_of(RandomStreams(12).stream("noise"), kCount);
  std::sort(z.begin(), z.end());
  const boost::math::normal_distribution<double> normal;
  double distance = 0.0;
  for (std::size_t i = 0; i < kCount; ++i) {
    const double expected = boost::math::cdf(normal, z[i]);
    distance = std::max({distance, expected - static_cast<double>(i) / kCount,
                         static_cast<double>(i + 1) / kCount - expected});
  }
  // Chance of a larger sqrt(n) D: 2 exp(-2 x^2) (N. Smirnov, Ann. Math. Stat. 19, 279, 1948), 1e-4 at 2.225.
  CHECK(distance * std::sqrt(static_cast<double>(kCount)) < 2.225);
  for (const double edge : {3.0, 3.5, 4.0, 4.5}) {
    CAPTURE(edge);
    const double expected = kCount * boost::math::cdf(normal, -edge);  // a Poisson count on either side
    const auto below = static_cast<double>(std::lower_bound(z.begin(), z.end(), -edge) - z.begin());
    const auto above = static_cast<double>(z.end() - std::upper_bound(z.begin(), z.end(), edge));
    CHECK(std::abs(below - expected) < 4.0 * std::sqrt(expected));
    CHECK(std::abs(above - expected) < 4.0 * std::sqrt(expected));
  }
}

TEST_CASE("noise is white: its spectrum's bins are independent and exponentially distributed") {
  FftCache fft(FftPlanning::kEstimate, "");
  constexpr std::size_t n = 1 << 16;
  ComplexRow<double> noise(n);
  RandomStreams(13).stream("ase").fill_noise(0, 1.0, std::span(noise));
  fft.get<double>(n).forward(noise);
  // |bin|^2/n is exponential of mean 1: equally likely cells, and Pearson's statistic at a chance of 1e-4.
  constexpr int kCells = 64;
  std::vector<double> count(kCells, 0.0);
  double neighbours = 0.0;
  for (std::size_t k = 0; k < n; ++k) {
    const double u = std::exp(-std::norm(noise[k]) / n);
    count[static_cast<std::size_t>(std::min(u * kCells, kCells - 1.0))] += 1.0;
    neighbours += (noise[k] * std::conj(noise[(k + 1) % n])).real() / n;
  }
  double statistic = 0.0;
  constexpr double kExpected = static_cast<double>(n) / kCells;
  for (const double c : count) statistic += (c - kExpected) * (c - kExpected) / kExpected;
  const boost::math::chi_squared_distribution<double> chi(kCells - 1);
  CHECK(statistic < boost::math::quantile(boost::math::complement(chi, 1e-4)));
  CHECK(std::abs(neighbours) < 4.0 * std::sqrt(0.5 * n));  // each product has a real part of variance 1/2
}

TEST_CASE("streams are uncorrelated with each other and with themselves, also in power") {
  constexpr std::size_t kCount = 1 << 18;
  const RandomStreams streams(1), next_frame(1, 1), next_seed(2), next_point(1, 0, 1);
  const std::vector<double> of[] = {
      normals_of(streams.stream("ase-span-1"), kCount), normals_of(streams.stream("ase-span-2"), kCount),
      normals_of(next_frame.stream("ase-span-1"), kCount), normals_of(next_seed.stream("ase-span-1"), kCount),
      normals_of(next_point.stream("ase-span-1"), kCount)};
  const auto power = [](std::vector<double> z) {
    for (double& x : z) x = (x * x - 1.0) / std::sqrt(2.0);  // zero mean, unit variance
    return z;
  };
  // 60 figures, each a standard normal by the central limit theorem: none beyond 4.5 but in 1 of 2500 runs.
  for (const auto& a : of) {
    for (const auto& b : of) {
      const bool same = &a == &b;
      CHECK(std::abs(correlation(a, b, same ? 1 : 0)) < 4.5);
      CHECK(std::abs(correlation(power(a), power(b), same ? 1 : 0)) < 4.5);
    }
    for (const std::size_t lag : {2, 4, 128, 512}) CHECK(std::abs(correlation(a, a, lag)) < 4.5);
  }
}

TEST_CASE("uniform numbers fill their interval evenly and bits are fair") {
  RandomStream random = RandomStreams(14).stream("bits");
  constexpr int kCells = 256, kCount = 1 << 18;
  std::vector<double> count(kCells, 0.0);
  for (int i = 0; i < kCount; ++i) count[static_cast<std::size_t>(random.uniform() * kCells)] += 1.0;
  double statistic = 0.0;
  constexpr double kExpected = static_cast<double>(kCount) / kCells;
  for (const double c : count) statistic += (c - kExpected) * (c - kExpected) / kExpected;
  const boost::math::chi_squared_distribution<double> chi(kCells - 1);
  CHECK(statistic < boost::math::quantile(boost::math::complement(chi, 1e-4)));
  for (int bit = 0; bit < 64; ++bit) {
    CAPTURE(bit);
    int ones = 0;
    RandomStream fresh = RandomStreams(15).stream("bits");
    for (int i = 0; i < 10000; ++i) ones += static_cast<int>(fresh.bits() >> bit & 1);
    CHECK(std::abs(ones - 5000) < 4.5 * std::sqrt(2500.0));
  }
}
