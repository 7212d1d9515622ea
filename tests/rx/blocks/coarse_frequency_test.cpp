#include "rx/blocks/coarse_frequency.h"

#include <doctest/doctest.h>

#include <cmath>

#include "rx/blocks/frequency.h"
#include "tests/rx/generator.h"

using namespace cohlink;

TEST_CASE("The coarse offset is found through dispersion, rotation and noise within its stated deviation") {
  const std::size_t symbols = 16384;
  const CoarseFrequencyEstimator estimator({Pulse::kRrc, 0.1, test::kRate}, 64e9, test::fft());
  // 0.25 sqrt(roll_off R fs / N) at N = 2^15 samples: 20 MHz.
  const double deviation = 0.25 * std::sqrt(0.1 * 32e9 * 64e9 / 32768.0);
  CHECK(deviation == doctest::Approx(20e6).epsilon(0.05));
  double sum = 0.0;
  const double offsets[] = {-3.6e9, -1.1e9, 0.0, 0.3e9, 2.2e9, 3.6e9, 6e9, -6e9};
  for (std::uint64_t t = 0; t < 8; ++t) {
    Field<float> field = test::shaped(test::random_symbols(Modulation::kQam16, symbols, t).symbols, 2);
    field = test::through(test::rotation(0.6, 0.2 * static_cast<double>(t)), test::dispersed(field, 20000.0));
    test::add_noise(field, 2.0 * from_db(-12.0), t);
    const double error = estimator(remove_frequency(std::move(field), -offsets[t])) - offsets[t];
    CAPTURE(offsets[t]);
    CHECK(std::abs(error) < 4.0 * deviation);
    sum += error * error;
  }
  MESSAGE("coarse frequency: rms error " << std::sqrt(sum / 8) / 1e6 << " MHz");
}

TEST_CASE("A row shorter than a segment gives no coarse offset") {
  const CoarseFrequencyEstimator estimator({Pulse::kRrc, 0.1, test::kRate}, 64e9, test::fft());
  CHECK(estimator(Field<float>(100, 64e9)) == 0.0);
}
