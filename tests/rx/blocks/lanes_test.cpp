#include "rx/blocks/lanes.h"

#include <doctest/doctest.h>

#include <cmath>

#include "sim/signal/scenario/errors.h"
#include "tests/rx/generator.h"

using namespace cohlink;

namespace {

// Correlation of I with Q relative to their powers, and the power ratio.
void measure(const ComplexRow<float>& row, double& correlation, double& ratio) {
  double ii = 0.0, qq = 0.0, iq = 0.0;
  for (const auto& a : row) {
    ii += static_cast<double>(a.real()) * a.real();
    qq += static_cast<double>(a.imag()) * a.imag();
    iq += static_cast<double>(a.real()) * a.imag();
  }
  correlation = iq / std::sqrt(ii * qq);
  ratio = ii / qq;
}

}  // namespace

TEST_CASE("Lanes lose their DC and come to unit mean power with their ratio kept") {
  Capture capture;
  capture.sample_rate = 64e9;
  RandomStream noise = test::stream("lanes");
  const double rms[] = {100, 100, 50, 50}, dc[] = {7, -20, 3, 0};
  capture.lanes = Lanes(20000);
  for (std::size_t l = 0; l < 4; ++l)
    for (auto& code : capture.lanes[l])
      code = static_cast<std::int16_t>(std::lround(dc[l] + rms[l] * noise.normal()));
  const Field<float> signal = read_lanes(capture);
  CHECK(mean_power(signal) == doctest::Approx(2.0).epsilon(1e-5));
  // Two lanes of 20000 samples each: the power ratio deviates by sqrt(2/20000) = 1 %; four of that.
  CHECK(mean_power(signal.x) / mean_power(signal.y) == doctest::Approx(4.0).epsilon(0.04));
  std::complex<double> mean = 0.0;
  for (const auto& a : signal.x) mean += std::complex<double>(a);
  CHECK(std::abs(mean) / 20000.0 < 1e-6);
}

TEST_CASE("Lanes that cannot be a signal are refused by name") {
  Capture capture;
  capture.sample_rate = 64e9;
  CHECK_THROWS_WITH_AS(read_lanes(capture), "the capture holds no samples", InputError);
  capture.lanes = Lanes(100);
  std::ranges::fill(capture.lanes.codes(), 5);
  CHECK_THROWS_WITH_AS(read_lanes(capture), "the capture's lanes are silent", InputError);
}

TEST_CASE("Gram-Schmidt leaves alone what a short frame shares between I and Q by chance") {
  // Corrected, it would be off by 1/(2 N) of the signal, -33 dB, in every frame.
  constexpr std::uint64_t kFrames = 50;
  int touched = 0;
  for (std::uint64_t f = 0; f < kFrames; ++f) {
    const Field<float> clean = test::shaped(test::random_symbols(Modulation::kQam16, 1024, f).symbols, 2);
    const Field<float> out = orthonormalise(clean);
    for (std::size_t p = 0; p < 2; ++p) touched += *out.rows()[p] != *clean.rows()[p];
  }
  // 2.5 standard deviations, known from 32 parts, are exceeded by chance in 1.8 % (Student's distribution of
  // 31 degrees of freedom); of 200 quantities 3.6, twelve or more once in 2000.
  CHECK(touched < 12);
}

TEST_CASE("Gram-Schmidt restores 5 degrees and 1 dB of imbalance") {
  const std::size_t count = 1 << 16;
  const auto sent = test::random_symbols(Modulation::kQam16, count / 2);
  const Field<float> clean = test::shaped(sent.symbols, 2);
  Field<float> bad = clean;
  const float error = static_cast<float>(5.0 * kPi / 180.0),
              gain = static_cast<float>(std::pow(10.0, 1.0 / 20.0));
  for (auto* row : bad.rows())
    for (auto& a : *row) a = {gain * a.real(), a.imag() * std::cos(error) + a.real() * std::sin(error)};
  CHECK(test::error_db(bad, clean, 0, count) > -25.0);
  const Field<float> restored = orthonormalise(bad);
  for (const auto* row : restored.rows()) {
    double correlation, ratio;
    measure(*row, correlation, ratio);
    CHECK(std::abs(correlation) < 1e-5);
    CHECK(ratio == doctest::Approx(1.0).epsilon(1e-5));
  }
  // Up to the common gain it is the clean signal: what is left is the chance correlation of the clean
  // signal's own I and Q, 1/sqrt(32768) = -45 dB.
  Field<float> scaled = restored;
  for (std::size_t p = 0; p < 2; ++p) {
    const auto g =
        static_cast<float>(std::sqrt(mean_power(*clean.rows()[p]) / mean_power(*restored.rows()[p])));
    for (auto& a : *scaled.rows()[p]) a *= g;
  }
  CHECK(test::error_db(scaled, clean, 0, count) < -40.0);
}
