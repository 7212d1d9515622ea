#include "rx/blocks/whitening.h"

#include <doctest/doctest.h>

#include <complex>
#include <random>

using namespace cohlink;

namespace {

// Two white Gaussian signals through a matrix that is far from unitary: 12 dB between its gains.
Field<float> behind(const JonesMatrix& m, std::size_t samples) {
  Field<float> signal(samples, 1.0);
  std::mt19937 generator(5);
  std::normal_distribution<float> normal;
  for (std::size_t n = 0; n < samples; ++n) {
    signal.x[n] = {normal(generator), normal(generator)};
    signal.y[n] = {normal(generator), normal(generator)};
  }
  return through(m, std::move(signal));
}

const JonesMatrix kLossy{{1.0, 0.0}, {0.3, 0.4}, {0.1, -0.2}, {0.25, 0.1}};

std::complex<double> mean_product(const ComplexRow<float>& a, const ComplexRow<float>& b) {
  std::complex<double> sum = 0.0;
  for (std::size_t n = 0; n < a.size(); ++n)
    sum += std::complex<double>(a[n]) * std::conj(std::complex<double>(b[n]));
  return sum / static_cast<double>(a.size());
}

}  // namespace

TEST_CASE("white rows are uncorrelated and of equal power, their sum's power kept") {
  // Exact for the covariance of the very samples, but for the rounding of single precision.
  const Field<float> signal = behind(kLossy, 5000);
  const auto m = whitening(signal, 0, signal.size());
  REQUIRE(m.has_value());
  const Field<float> white = through(*m, signal);
  const double xx = mean_product(signal.x, signal.x).real(), yy = mean_product(signal.y, signal.y).real();
  CHECK(mean_product(white.x, white.x).real() == doctest::Approx(0.5 * (xx + yy)).epsilon(1e-5));
  CHECK(mean_product(white.y, white.y).real() == doctest::Approx(0.5 * (xx + yy)).epsilon(1e-5));
  CHECK(std::abs(mean_product(white.x, white.y)) < 1e-5 * (xx + yy));
}

TEST_CASE("rows that are nearly white, or of which one is dead, are left as they are") {
  CHECK_FALSE(whitening(behind({}, 1000), 0, 1000).has_value());
  CHECK_FALSE(whitening(behind({1.0, 0.0, 0.0, 0.01}, 1000), 0, 1000).has_value());
  CHECK_FALSE(whitening(Field<float>(1000, 1.0), 0, 1000).has_value());
}

TEST_CASE("taps for white rows, rewritten for the rows as they came, give the same outputs") {
  const JonesMatrix m{{0.5, 0.1}, {-0.2, 0.3}, {-0.2, -0.3}, {1.5, 0.0}};
  EqualiserTaps taps;
  taps[0][0] = {{0.9f, 0.1f}}, taps[0][1] = {{-0.3f, 0.2f}};
  taps[1][0] = {{0.2f, 0.4f}}, taps[1][1] = {{0.8f, -0.5f}};
  const EqualiserTaps early = taps_before(m, taps);
  const Field<float> signal = behind(kLossy, 10), white = through(m, signal);
  for (std::size_t i = 0; i < 2; ++i)
    for (std::size_t n = 0; n < signal.size(); ++n) {
      const auto before = early[i][0][0] * signal.x[n] + early[i][1][0] * signal.y[n];
      const auto after = taps[i][0][0] * white.x[n] + taps[i][1][0] * white.y[n];
      CHECK(std::abs(before - after) < 1e-5f);
    }
}
