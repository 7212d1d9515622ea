#include "rx/quality/information.h"

#include <doctest/doctest.h>

#include <cmath>
#include <vector>

#include "sim/signal/awgn_information.h"
#include "sim/signal/units.h"
#include "tests/rx/generator.h"

using namespace cohlink;

namespace {

// Gauss-Hermite rule for the weight exp(-x^2): Newton's method on the orthonormal Hermite recurrence.
struct Rule {
  std::vector<double> x, w;
};

Rule gauss_hermite(int n) {
  Rule rule;
  for (int i = 0; i < n; ++i) {
    // The zeros interlace: look for them by sign changes of a fine scan, then polish.
    rule.x.push_back(0.0);
    rule.w.push_back(0.0);
  }
  const auto value = [n](double x) {
    double before = 0.0, now = std::pow(kPi, -0.25);
    for (int j = 0; j < n; ++j) {
      const double next = x * std::sqrt(2.0 / (j + 1)) * now - std::sqrt(j / (j + 1.0)) * before;
      before = now;
      now = next;
    }
    return std::pair{now, std::sqrt(2.0 * n) * before};  // polynomial and derivative
  };
  const double end = std::sqrt(2.0 * n + 1.0), step = end / (40.0 * n);
  int found = 0;
  for (double a = -end; a < end && found < n; a += step) {
    if (value(a).first * value(a + step).first > 0.0) continue;
    double x = a + 0.5 * step;
    for (int i = 0; i < 20; ++i) {
      const auto [p, d] = value(x);
      x -= p / d;
    }
    const double d = value(x).second;
    rule.x[static_cast<std::size_t>(found)] = x;
    rule.w[static_cast<std::size_t>(found++)] = 2.0 / (d * d);
  }
  REQUIRE(found == n);
  return rule;
}

// MI and GMI of one axis (levels with Gray labels) in real Gaussian noise of variance N0/2, bits per axis.
struct AxisInformation {
  double mutual, generalised;
};

AxisInformation by_quadrature(const std::vector<double>& levels, const std::vector<unsigned>& labels,
                              unsigned bits, double noise) {
  const Rule rule = gauss_hermite(60);
  double mutual = bits, generalised = bits;
  const double share = 1.0 / (std::sqrt(kPi) * static_cast<double>(levels.size()));
  for (std::size_t a = 0; a < levels.size(); ++a)
    for (std::size_t i = 0; i < rule.x.size(); ++i) {
      const double y = levels[a] + std::sqrt(noise) * rule.x[i];  // exp(-x^2): variance N0/2
      double total = 0.0;
      std::vector<double> as_sent(bits, 0.0);
      for (std::size_t b = 0; b < levels.size(); ++b) {
        const double p = std::exp(-(y - levels[b]) * (y - levels[b]) / noise);
        total += p;
        for (unsigned bit = 0; bit < bits; ++bit)
          if (((labels[a] ^ labels[b]) >> bit & 1u) == 0) as_sent[bit] += p;
      }
      const double own = std::exp(-(y - levels[a]) * (y - levels[a]) / noise);
      mutual -= share * rule.w[i] * std::log2(total / own);
      for (const double p : as_sent) generalised -= share * rule.w[i] * std::log2(total / p);
    }
  return {mutual, generalised};
}

AxisInformation by_quadrature(Modulation modulation, double noise) {
  if (modulation == Modulation::kQpsk)
    return by_quadrature({std::sqrt(0.5), -std::sqrt(0.5)}, {0, 1}, 1, noise);
  const double u = 1.0 / std::sqrt(10.0);
  return by_quadrature({3 * u, u, -u, -3 * u}, {0b00, 0b01, 0b11, 0b10}, 2, noise);
}

// The same of a whole constellation, over the plane.
AxisInformation over_the_plane(const Constellation& c, double noise) {
  const Rule rule = gauss_hermite(40);
  double mutual = c.bits(), generalised = c.bits();
  const double share = 1.0 / (kPi * static_cast<double>(c.size()));
  for (unsigned a = 0; a < c.size(); ++a)
    for (std::size_t i = 0; i < rule.x.size(); ++i)
      for (std::size_t j = 0; j < rule.x.size(); ++j) {
        const std::complex<double> y = c[a] + std::sqrt(noise) * std::complex<double>(rule.x[i], rule.x[j]);
        const double weight = share * rule.w[i] * rule.w[j];
        double total = 0.0;
        std::vector<double> as_sent(static_cast<std::size_t>(c.bits()), 0.0);
        for (unsigned b = 0; b < c.size(); ++b) {
          const double p = std::exp(-std::norm(y - c[b]) / noise);
          total += p;
          for (std::size_t bit = 0; bit < as_sent.size(); ++bit)
            if (((a ^ b) >> bit & 1u) == 0) as_sent[bit] += p;
        }
        mutual -= weight * std::log2(total / std::exp(-std::norm(y - c[a]) / noise));
        for (const double p : as_sent) generalised -= weight * std::log2(total / p);
      }
  return {mutual, generalised};
}

Information simulated(Modulation modulation, double noise, std::size_t count) {
  const auto sent = test::random_symbols(modulation, count);
  auto field = test::at_symbol_rate(sent.symbols);
  test::add_noise(field, noise);
  return mean(achievable_information(field.x, sent.symbols[0], noise, modulation),
              achievable_information(field.y, sent.symbols[1], noise, modulation));
}

}  // namespace

TEST_CASE("MI and GMI in white Gaussian noise agree with Gauss-Hermite quadrature") {
  for (const auto modulation : {Modulation::kQpsk, Modulation::kQam16})
    for (const double snr_db : {0.0, 6.25, 12.71, 18.0}) {
      const double noise = from_db(-snr_db);
      const AxisInformation axis = by_quadrature(modulation, noise);
      const Information measured = simulated(modulation, noise, 100000);
      // 2e5 symbols whose information density spreads by less than sqrt(2) bits (that of log2 exp of a unit
      // exponential, plus what the neighbours add): a standard error of 3.2e-3; four of them.
      CAPTURE(snr_db);
      CHECK(std::abs(measured.mutual_bits - 2.0 * axis.mutual) < 4 * 3.2e-3);
      CHECK(std::abs(measured.generalised_bits - 2.0 * axis.generalised) < 4 * 3.2e-3);
      CHECK(measured.generalised_bits <= measured.mutual_bits + 1e-9);  // Gray mapping loses, never gains
      CHECK(measured.normalised == doctest::Approx(measured.generalised_bits / bits_per_symbol(modulation)));
    }
}

TEST_CASE("MI and GMI of 8QAM and 64QAM agree with Gauss-Hermite quadrature over the plane") {
  for (const char* name : {"8qam", "64qam"})
    for (const double snr_db : {3.0, 10.0, 16.0}) {
      const Modulation modulation = modulation_named(name);
      const double noise = from_db(-snr_db);
      const AxisInformation plane = over_the_plane(constellation(modulation), noise);
      const Information measured = simulated(modulation, noise, 50000);
      // As above with half the symbols.
      CAPTURE(std::string(name));
      CAPTURE(snr_db);
      CHECK(std::abs(measured.mutual_bits - plane.mutual) < 4 * 4.5e-3);
      CHECK(std::abs(measured.generalised_bits - plane.generalised) < 4 * 4.5e-3);
    }
}

TEST_CASE("8QAM, whose points lie on no axes, has the information of another quadrature over the plane") {
  const Constellation& points = constellation(modulation_named("8qam"));
  const AxisInformation plane = over_the_plane(points, from_db(-10.0));  // good to 1e-4
  CHECK(std::abs(awgn_mutual_bits(points, from_db(10.0)) - plane.mutual) < 1.1e-4);
  CHECK(std::abs(awgn_generalised_bits(points, from_db(10.0)) - plane.generalised) < 1.1e-4);
}

TEST_CASE("QPSK's bits are independent: GMI equals MI; without noise to speak of both are all bits") {
  const Information qpsk = simulated(Modulation::kQpsk, from_db(-5.0), 20000);
  CHECK(qpsk.generalised_bits == doctest::Approx(qpsk.mutual_bits).epsilon(1e-9));
  const Information clean = simulated(Modulation::kQam16, from_db(-40.0), 2000);
  CHECK(clean.mutual_bits == doctest::Approx(4.0).epsilon(1e-9));
  CHECK(clean.normalised == doctest::Approx(1.0).epsilon(1e-9));
}

TEST_CASE("Information never exceeds the capacity of the Gaussian channel, and nears it where SNR is low") {
  for (const double snr_db : {-5.0, 0.0, 10.0}) {
    const double snr = from_db(snr_db), capacity = std::log2(1.0 + snr);
    CHECK(2.0 * by_quadrature(Modulation::kQam16, 1.0 / snr).mutual < capacity);
    CHECK(simulated(Modulation::kQam16, 1.0 / snr, 50000).mutual_bits < capacity + 4 * 4.5e-3);
  }
  CHECK(2.0 * by_quadrature(Modulation::kQam16, from_db(5.0)).mutual ==
        doctest::Approx(std::log2(1.0 + from_db(-5.0))).epsilon(0.02));
}

TEST_CASE("NGMI says how far it may be off: as far as it is, 40 times over") {
  const double noise = from_db(-12.71),
               truth = 0.25 * 2.0 * by_quadrature(Modulation::kQam16, noise).generalised;
  double squares = 0.0;
  for (int i = 0; i < 40; ++i) {
    const auto sent = test::random_symbols(Modulation::kQam16, 2048, static_cast<std::uint64_t>(i));
    auto field = test::at_symbol_rate(sent.symbols);
    test::add_noise(field, noise, 100 + static_cast<std::uint64_t>(i));
    const Information x = achievable_information(field.x, sent.symbols[0], noise, Modulation::kQam16);
    squares += std::pow((x.normalised - truth) / x.deviation, 2);
  }
  // Squares of Student's t of 15 degrees of freedom, mean 15/13 and variance 2.5; three standard errors
  // of 40.
  CHECK(std::abs(squares / 40.0 - 15.0 / 13.0) < 3.0 * std::sqrt(2.5 / 40.0));
  const std::vector<std::complex<float>> few(8, 1.0f);
  CHECK(achievable_information(few, std::span<const std::complex<float>>(few), 0.1, Modulation::kQpsk)
            .deviation == 1.0);
}

TEST_CASE("Information refuses what has no meaning") {
  const std::vector<std::complex<float>> y(3);
  const Symbols a(3, 1.0), b(2, 1.0);
  CHECK_THROWS_AS(achievable_information(y, b, 0.1, Modulation::kQpsk), std::invalid_argument);
  CHECK_THROWS_AS(achievable_information(y, a, 0.0, Modulation::kQpsk), std::invalid_argument);
  CHECK_THROWS_AS(achievable_information(y, a, 0.1, Modulation::kGaussian), std::invalid_argument);
}
