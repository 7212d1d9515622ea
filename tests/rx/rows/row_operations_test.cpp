#include "rx/rows/row_operations.h"

#include <doctest/doctest.h>

#include <cmath>

#include "rx/blocks/interpolator.h"
#include "tests/rx/generator.h"

using namespace cohlink;

namespace {

// Whole vectors, and one with a rest.
constexpr std::size_t kCounts[] = {1, 15, 16, 64, 2049};

ComplexRow<float> noisy_row(Modulation modulation, std::size_t count, std::uint64_t seed) {
  auto field = test::at_symbol_rate(test::random_symbols(modulation, count, seed).symbols);
  test::add_noise(field, 0.1);
  return field.x;
}

}  // namespace

TEST_CASE("Sums over rows are those of a plain loop in double precision") {
  for (const std::size_t count : kCounts) {
    CAPTURE(count);
    const auto y = noisy_row(Modulation::kQam16, count, 3), a = noisy_row(Modulation::kQam16, count, 4);
    std::complex<double> cross = 0.0;
    double of_y = 0.0, of_a = 0.0, fourth = 0.0, distance = 0.0, coherence = 0.0;
    const std::complex<double> gain(0.7, -0.4), expected(0.6, 0.8);
    for (std::size_t k = 0; k < count; ++k) {
      const std::complex<double> yk(y[k]), ak(a[k]);
      cross += yk * std::conj(ak);
      of_y += std::norm(yk), of_a += std::norm(ak), fourth += std::norm(yk) * std::norm(yk);
      distance += std::norm(yk - gain * ak);
      coherence += (yk * yk * yk * yk * std::conj(expected)).real() / (std::norm(yk) * std::norm(yk));
    }
    // A rounding is 6e-8 of what is summed; no sum in single precision has more than 64 terms.
    const double rounding = 1e-6 * static_cast<double>(count);
    const Correlation both = correlation(y, a);
    CHECK(std::abs(both.cross - cross) < rounding);
    CHECK(std::abs(both.of_y - of_y) < rounding);
    CHECK(std::abs(both.of_a - of_a) < rounding);
    CHECK(correlations(y, a).size() == (count + Correlation::kRun - 1) / Correlation::kRun);
    CHECK(std::abs(power_sums(y).second - of_y) < rounding);
    CHECK(std::abs(power_sums(y).fourth - fourth) < 4.0 * rounding);
    CHECK(std::abs(square_distance(y, a, std::complex<float>(gain)) - distance) < 4.0 * rounding);
    CHECK(std::abs(fourth_power_coherence(y, std::complex<float>(expected)) - coherence) < 4.0 * rounding);
  }
  CHECK_THROWS_AS(correlation(ComplexRow<float>(3), ComplexRow<float>(4)), std::invalid_argument);
}

TEST_CASE("The nearest points of a row are those of the decision in double precision, in every format") {
  for (std::size_t format = 0; format < constellations().size(); ++format) {
    const Constellation& c = constellations()[format];
    if (c.empty()) continue;
    for (const std::size_t count : kCounts) {
      ComplexRow<float> row = noisy_row(Modulation(format), count, 5);
      row[0] *= 1000.0f;  // far outside
      const ComplexRow<float> nearest = nearest_points(row, c);
      for (std::size_t k = 0; k < count; ++k) {
        const std::complex<double> y(row[k]), wanted = c[c.decide(y)];
        // Half way between two points rounding decides.
        CHECK(std::abs(y - std::complex<double>(nearest[k])) <= std::abs(y - wanted) * (1 + 1e-6) + 1e-6);
      }
    }
  }
}

TEST_CASE("Phasors are right to single precision at any phase, and turning is multiplying by them") {
  for (const std::size_t count : kCounts) {
    std::vector<double> phase(count);
    for (std::size_t k = 0; k < count; ++k) phase[k] = 1000.0 * std::sin(1.0 + static_cast<double>(k));
    const ComplexRow<float> phasors = phasors_back(phase);
    ComplexRow<float> row = noisy_row(Modulation::kQpsk, count, 6), turned = row, steadily = row;
    turn_back(turned, phase);
    turn_steadily(steadily, 0.0123);
    for (std::size_t k = 0; k < count; ++k) {
      CHECK(std::abs(std::complex<double>(phasors[k]) - std::polar(1.0, -phase[k])) < 5e-7);
      CHECK(std::abs(turned[k] - row[k] * phasors[k]) < 1e-6);
      const auto wanted =
          std::complex<double>(row[k]) * std::polar(1.0, -kTwoPi * 0.0123 * static_cast<double>(k));
      CHECK(std::abs(std::complex<double>(steadily[k]) - wanted) < 3e-6);
    }
  }
}

TEST_CASE("Interpolation does not depend on how many positions are one sample apart") {
  const Interpolator interpolate(0.3);
  const ComplexRow<float> row = noisy_row(Modulation::kQpsk, 300, 7);
  std::vector<double> positions;
  for (double at = -40.0; at < 340.0; at += 1.0) positions.push_back(at + 0.37);       // together
  for (double at = -40.0; at < 340.0; at += 1.0) positions.push_back(at + 1e-2 * at);  // each by itself
  const ComplexRow<float> all = interpolate(row, positions);
  for (std::size_t n = 0; n < positions.size(); ++n) {
    const auto alone = interpolate(row, std::span(positions).subspan(n, 1));
    CHECK(std::abs(alone[0] - all[n]) < 1e-6);  // of sums in another order
  }
}
