#include "rx/blocks/phase.h"

#include <doctest/doctest.h>

#include <cmath>
#include <stdexcept>

#include "tests/rx/generator.h"

using namespace cohlink;

namespace {

void turn(ComplexRow<float>& row, const std::vector<double>& phase, double constant = 0.0) {
  for (std::size_t k = 0; k < row.size(); ++k)
    row[k] *= std::complex<float>(std::polar(1.0, phase[k] + constant));
}

// Variance of (estimate - phase), taken to the nearest quarter turn, away from the ends.
double variance(const std::vector<double>& estimate, const std::vector<double>& phase, std::size_t edge) {
  double sum = 0.0;
  for (std::size_t k = edge; k < phase.size() - edge; ++k) {
    double error = estimate[k] - phase[k];
    error -= 0.5 * kPi * std::round(error / (0.5 * kPi));
    sum += error * error;
  }
  return sum / static_cast<double>(phase.size() - 2 * edge);
}

// A constant phase estimated from one row over `window` symbols at `snr_db`: variance over the
// data-aided Cramer-Rao bound 1 / (2 W SNR).
template <class Estimator>
double variance_over_bound(const Estimator& estimator, Modulation modulation, int window, double snr_db) {
  const std::size_t count = 60000;
  Field<float> field = test::at_symbol_rate(test::random_symbols(modulation, count).symbols);
  test::add_noise(field, from_db(-snr_db));
  const std::vector<double> phase(count, 0.3);
  turn(field.x, phase);
  const std::complex<float>* rows[] = {field.x.data()};
  const double bound = 1.0 / (2.0 * window * from_db(snr_db));
  return variance(estimator(rows, count), phase, static_cast<std::size_t>(window)) / bound;
}

}  // namespace

TEST_CASE("Blind phase search reaches the bound on a constant phase where decisions are right") {
  // 60000 symbols hold about 900 independent windows of 65: the variance deviates by sqrt(2/900) = 5 %; four
  // of these. The blind estimate cannot beat the data-aided bound; 16QAM at 20 dB costs it up to a few
  // percent.
  const double qpsk =
      variance_over_bound(BlindPhaseSearch({Modulation::kQpsk, 65, 32}), Modulation::kQpsk, 65, 15.0);
  const double qam =
      variance_over_bound(BlindPhaseSearch({Modulation::kQam16, 65, 32}), Modulation::kQam16, 65, 20.0);
  MESSAGE("blind phase search, variance over bound: QPSK 15 dB " << qpsk << ", 16QAM 20 dB " << qam);
  CHECK(qpsk > 0.8);
  CHECK(qpsk < 1.25);
  CHECK(qam > 0.8);
  CHECK(qam < 1.25);
}

TEST_CASE("The fourth-power law comes near the bound for QPSK; QPSK partition pays for unused symbols") {
  const double qpsk =
      variance_over_bound(FourthPowerPhase({Modulation::kQpsk, 65}), Modulation::kQpsk, 65, 15.0);
  MESSAGE("fourth power, variance over bound: QPSK 15 dB " << qpsk);
  CHECK(qpsk > 0.8);
  CHECK(qpsk < 1.35);
  const double qam =
      variance_over_bound(FourthPowerPhase({Modulation::kQam16, 65}), Modulation::kQam16, 65, 22.0);
  MESSAGE("fourth power by QPSK partition, variance over bound: 16QAM 22 dB " << qam);
  // Half the symbols, equal weights: inner ring noise 5x, outer 0.56x, mean 2.8 of the bound's, over half as
  // many.
  CHECK(qam > 4.0);
  CHECK(qam < 8.0);
}

TEST_CASE("Blind phase search follows a Wiener phase without a slip") {
  const std::size_t count = 60000;
  const auto phase = test::wiener_phase(count, 200e3);
  for (const auto modulation : {Modulation::kQpsk, Modulation::kQam16}) {
    Field<float> field = test::at_symbol_rate(test::random_symbols(modulation, count).symbols);
    const double snr_db = modulation == Modulation::kQpsk ? 10.0 : 16.0;
    test::add_noise(field, from_db(-snr_db));
    turn(field.x, phase);
    const std::complex<float>* rows[] = {field.x.data()};
    const auto estimate = BlindPhaseSearch({modulation, 48, 32})(rows, count);
    // Wiener drift inside the window adds about s^2 W / 12 to the bound's 1 / (2 W SNR); half as much again
    // for wrong decisions.
    const double expected = 1.0 / (2.0 * 49.0 * from_db(snr_db)) + kTwoPi * 200e3 / test::kRate * 49.0 / 12.0;
    CHECK(variance(estimate, phase, 48) < 1.5 * expected);
    double drift = estimate[count - 50] - phase[count - 50] - (estimate[50] - phase[50]);
    CHECK(std::abs(drift) < 0.4);
  }
}

TEST_CASE("Joint recovery finds the angle between the polarisations and halves the variance") {
  const std::size_t count = 32768;
  const auto sent = test::random_symbols(Modulation::kQam16, count);
  const auto phase = test::wiener_phase(count, 200e3);
  double error[2];
  for (const bool joint : {false, true}) {
    Field<float> field = test::at_symbol_rate(sent.symbols);
    turn(field.x, phase, 0.2);
    turn(field.y, phase, -1.9);
    test::add_noise(field, from_db(-16.0));
    PhaseParameters parameters{PhaseMethod::kBlindSearch, Modulation::kQam16, 24, 32, joint};
    const PhaseResult out = PhaseRecovery(parameters)(field, 0, count, nullptr, 0.0);
    std::vector<double> x = phase, y = phase;
    for (auto& p : x) p += 0.2;
    for (auto& p : y) p -= 1.9;
    error[joint] = variance(out.phase_rad[0], x, 100) + variance(out.phase_rad[1], y, 100);
  }
  CHECK(error[1] < 0.7 * error[0]);
}

TEST_CASE("Genie phase needs the truth and removes exactly it") {
  const std::size_t count = 4096;
  const auto sent = test::random_symbols(Modulation::kQpsk, count);
  Field<float> field = test::at_symbol_rate(sent.symbols);
  Truth truth;
  truth.tx_phase_rad = test::wiener_phase(count, 5e6, 1);
  truth.lo_phase_rad = test::wiener_phase(count, 5e6, 2);
  truth.frequency_offset_hz = 300e6;
  std::vector<double> phase(count);
  for (std::size_t k = 0; k < count; ++k)
    phase[k] =
        truth.tx_phase_rad[k] - truth.lo_phase_rad[k] + kTwoPi * 300e6 / test::kRate * static_cast<double>(k);
  turn(field.x, phase, 0.1);
  turn(field.y, phase, -0.2);
  const PhaseRecovery recovery({PhaseMethod::kGenie, Modulation::kQpsk, 1, 32, true});
  CHECK_THROWS_AS(recovery(field, 0, count, nullptr, 0.0), InputError);
  const PhaseResult out = recovery(field, 0, count, &truth, 0.0);
  CHECK(test::error_db(out.symbols, test::at_symbol_rate(sent.symbols), 0, count) < -60.0);
}

TEST_CASE("Phase estimators refuse what they cannot do") {
  CHECK_THROWS_AS(BlindPhaseSearch({Modulation::kGaussian, 16, 32}), std::invalid_argument);
  CHECK_THROWS_AS(BlindPhaseSearch({Modulation::kQpsk, 0, 32}), std::invalid_argument);
  CHECK_THROWS_AS(BlindPhaseSearch({Modulation::kQpsk, 16, 3}), std::invalid_argument);
  CHECK_THROWS_AS(FourthPowerPhase({Modulation::kGaussian, 16}), std::invalid_argument);
}
