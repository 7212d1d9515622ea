#include "rx/blocks/frequency.h"

#include <doctest/doctest.h>

#include <cmath>

#include "tests/rx/generator.h"

using namespace cohlink;

namespace {

Field<float> offset_symbols(Modulation modulation, std::size_t count, double snr_db, double offset_hz,
                            std::uint64_t frame) {
  Field<float> field = test::at_symbol_rate(test::random_symbols(modulation, count, frame).symbols);
  test::add_noise(field, from_db(-snr_db), frame);
  return remove_frequency(std::move(field), -offset_hz);
}

double rms_error(Modulation modulation, std::size_t count, double snr_db, int trials) {
  const FrequencyEstimator estimator(test::fft());
  RandomStream random = test::stream("offsets");
  double sum = 0.0;
  for (int t = 0; t < trials; ++t) {
    const double offset = (random.uniform() - 0.5) * 0.2 * test::kRate;
    const auto field = offset_symbols(modulation, count, snr_db, offset, static_cast<std::uint64_t>(t));
    const double error = estimator(field, 0, count).offset_hz - offset;
    sum += error * error;
  }
  return std::sqrt(sum / trials);
}

// Modified Cramer-Rao bound of a frequency estimate [Hz], two polarisations of `count` symbols:
// A. N. D'Andrea, U. Mengali and R. Reggiannini, IEEE Trans. Commun. 42, 1391 (1994):
// variance 3 / (2 pi^2 T^2 N^3 Es/N0) for one.
double bound(std::size_t count, double snr_db) {
  const double n = static_cast<double>(count);
  return test::kRate * std::sqrt(3.0 / (2.0 * kPi * kPi * n * n * n * from_db(snr_db)) / 2.0);
}

}  // namespace

TEST_CASE("QPSK: the frequency error reaches the modified Cramer-Rao bound") {
  // 200 trials: the rms deviates by 1/sqrt(400) = 5 %. The fourth power costs (1 + 4.5/SNR) in variance at
  // this SNR, 2 % in rms, hence at most 1.02 + 4 x 5 % of the bound and at least 1 - 20 % of it.
  const double ratio = rms_error(Modulation::kQpsk, 1024, 20.0, 200) / bound(1024, 20.0);
  MESSAGE("QPSK, 20 dB: rms error over bound " << ratio);
  CHECK(ratio > 0.8);
  CHECK(ratio < 1.25);
}

TEST_CASE("16QAM: the frequency error is far below what carrier recovery needs") {
  // The spread of fourth powers (E|a|^8 against |E a^4|^2) acts as noise that no SNR removes, so the bound is
  // not reached. Phase recovery needs the phase to move little in some 50 symbols: 1e-4 of the rate is 0.03
  // rad.
  const double error = rms_error(Modulation::kQam16, 8192, 14.0, 50) / test::kRate;
  MESSAGE("16QAM, 14 dB, 8192 symbols: rms error " << error << " of the symbol rate");
  CHECK(error < 1e-6);
}

TEST_CASE("The frequency estimate wraps just beyond an eighth of the symbol rate") {
  const FrequencyEstimator estimator(test::fft());
  const double eighth = test::kRate / 8;
  const auto inside = offset_symbols(Modulation::kQpsk, 4096, 15.0, 0.99 * eighth, 1);
  CHECK(estimator(inside, 0, 4096).offset_hz == doctest::Approx(0.99 * eighth).epsilon(1e-4));
  const auto outside = offset_symbols(Modulation::kQpsk, 4096, 15.0, 1.01 * eighth, 1);
  CHECK(estimator(outside, 0, 4096).offset_hz == doctest::Approx(-0.99 * eighth).epsilon(1e-4));
}

TEST_CASE("Noise alone shows no line, a signal does") {
  Field<float> field(8192, test::kRate);
  test::add_noise(field, 1.0);
  const FrequencyEstimator estimator(test::fft());
  CHECK(estimator(field, 0, 8192).peak_to_mean < kFrequencyLock);
  CHECK(estimator(offset_symbols(Modulation::kQam16, 8192, 12.0, 1e9, 2), 0, 8192).peak_to_mean >
        4 * kFrequencyLock);
}

TEST_CASE("Removing a frequency turns every sample by the right angle") {
  Field<float> field(100000, test::kRate);
  for (auto* row : field.rows())
    for (auto& a : *row) a = 1.0f;
  const double f = 1.2345678e9;
  const Field<float> out = remove_frequency(field, f);
  double worst = 0.0;
  for (std::size_t n = 0; n < out.size(); n += 997) {
    const double turns = std::fmod(f / test::kRate * static_cast<double>(n), 1.0);
    worst = std::max(worst, std::abs(std::complex<double>(out.y[n]) - std::polar(1.0, -kTwoPi * turns)));
  }
  CHECK(worst < 1e-6);
}
