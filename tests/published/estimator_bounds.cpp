// Carrier phase and frequency estimators against their bounds, and how far from them the method itself must
// be.
#include <doctest/doctest.h>

#include <cmath>
#include <cstdio>
#include <functional>
#include <string>

#include "rx/blocks/blind_phase_search.h"
#include "rx/blocks/fourth_power_phase.h"
#include "rx/blocks/frequency.h"
#include "tests/rx/generator.h"
#include "tests/validation.h"

using namespace cohlink;

namespace {

using PhaseEstimator =
    std::function<std::vector<double>(std::span<const std::complex<float>* const>, std::size_t)>;

std::string name_of(Modulation modulation) { return std::string(modulation_name(modulation)); }

std::string short_text(double value) {
  char text[32];
  std::snprintf(text, sizeof text, "%.3g", value);
  return text;
}

struct Spread {
  double mean, variance;
  std::size_t count;
  double error_of_mean() const { return std::sqrt(variance / static_cast<double>(count)); }
};

Spread spread_of(const std::vector<double>& values) {
  Spread s{0.0, 0.0, values.size()};
  for (const double v : values) s.mean += v / static_cast<double>(values.size());
  for (const double v : values)
    s.variance += (v - s.mean) * (v - s.mean) / static_cast<double>(values.size() - 1);
  return s;
}

// Errors of a constant phase, one from each window that shares no symbol with another.
Spread phase_errors(const PhaseEstimator& estimator, Modulation modulation, std::size_t window,
                    double snr_db) {
  constexpr double kPhase = 0.31;  // rad, on no test phase
  const std::size_t count = 3000 * window;
  Field<float> field = test::at_symbol_rate(test::random_symbols(modulation, count).symbols);
  for (auto& y : field.x) y *= std::complex<float>(std::polar(1.0, kPhase));
  test::add_noise(field, from_db(-snr_db));
  const std::complex<float>* rows[] = {field.x.data()};
  const std::vector<double> phase = estimator(rows, count);
  std::vector<double> errors;
  for (std::size_t k = window / 2; k < count; k += window)
    errors.push_back(std::remainder(phase[k] - kPhase, 0.5 * kPi));
  return spread_of(errors);
}

// Errors of the frequency estimate over `trials` captures of `count` symbols a polarisation, cycles a symbol.
Spread frequency_errors(Modulation modulation, std::size_t count, double snr_db, std::size_t trials) {
  const FrequencyEstimator estimator(test::fft());
  RandomStream places = test::stream("offsets");
  std::vector<double> errors;
  for (std::size_t trial = 0; trial < trials; ++trial) {
    Field<float> field = test::at_symbol_rate(test::random_symbols(modulation, count, trial).symbols);
    test::add_noise(field, from_db(-snr_db), trial);
    const double offset = 0.2 * (places.uniform() - 0.5);  // of the symbol rate: within +-1/8
    field = remove_frequency(std::move(field), -offset * test::kRate);
    errors.push_back(estimator(field, 0, count).offset_hz / test::kRate - offset);
  }
  return spread_of(errors);
}

// Variance over the Cramer-Rao bound of a line at four times the offset, found in the symbols' fourth powers
// y^4 = A exp(4 i phase) + w, A = E a^4. The line's frequency feels the part of w across A alone, of power
// Q = E Im^2: from the pattern, a^4 - A, and from the noise n of power 1/SNR by 4 a^3 n + 6 a^2 n^2 + ... A
// line in white noise of 2 Q has the variance 6 (2 Q) / (A^2 N (N^2 - 1)) (Rife and Boorstyn), two rows half
// of it, the offset a sixteenth; the symbols' own bound is 6 / (2 SNR N (N^2 - 1)).
double fourth_power_excess(Modulation modulation, double snr) {
  const auto& points = constellation(modulation);
  const double count = static_cast<double>(points.size()), noise = 1.0 / snr;
  double line = 0.0, across = 0.0, sixth = 0.0, fourth = 0.0;
  for (const auto& a : points) {
    const auto power = std::pow(a, 4);
    line += power.real() / count;
    across += power.imag() * power.imag() / count;
    fourth += std::pow(std::norm(a), 2) / count;
    sixth += std::pow(std::norm(a), 3) / count;
  }
  const double q = across + 0.5 * (16.0 * sixth * noise + 36.0 * fourth * 2.0 * noise * noise +
                                   16.0 * 6.0 * std::pow(noise, 3) + 24.0 * std::pow(noise, 4));
  return 2.0 * snr * q / (16.0 * line * line);
}

}  // namespace

TEST_CASE("phase estimates of a constant phase are unbiased and near 1/(2 N SNR)") {
  // 3000 independent windows: the variance's standard error is sqrt(2/3000) = 2.6 %; four of them. Blind
  // search works with decisions, nearly all right at these SNRs; the fourth power adds noise x noise; the
  // QPSK partition uses half the symbols at equal weight, noise 5 and 0.56 times: 5.6 of the bound at high
  // SNR.
  struct Case {
    const char* name;
    PhaseEstimator estimator;
    Modulation modulation;
    std::size_t window;
    double snr_db, low, high;
  };
  const std::vector<Case> cases = {
      {"blind phase search, QPSK 15 dB", BlindPhaseSearch({Modulation::kQpsk, 65, 32}), Modulation::kQpsk, 65,
       15.0, 0.9, 1.1},
      {"blind phase search, 16QAM 20 dB", BlindPhaseSearch({Modulation::kQam16, 65, 32}), Modulation::kQam16,
       65, 20.0, 0.9, 1.15},
      {"fourth power, QPSK 15 dB", FourthPowerPhase({Modulation::kQpsk, 65}), Modulation::kQpsk, 65, 15.0,
       0.9, 1.3},
      {"fourth power by QPSK partition, 16QAM 22 dB", FourthPowerPhase({Modulation::kQam16, 65}),
       Modulation::kQam16, 65, 22.0, 5.0, 6.8}};
  for (const Case& c : cases) {
    const Spread s = phase_errors(c.estimator, c.modulation, c.window, c.snr_db);
    const double bound = 1.0 / (2.0 * static_cast<double>(c.window) * from_db(c.snr_db));
    CAPTURE(std::string(c.name));
    MESSAGE(std::string(c.name) << ": variance over bound " << s.variance / bound << ", bias "
                                << s.mean / s.error_of_mean() << " standard errors");
    CHECK(std::abs(s.mean) < 4.0 * s.error_of_mean());
    CHECK(s.variance / bound > c.low);
    CHECK(s.variance / bound < c.high);
    validation::record(
        std::string("variance of the phase over the Cramer-Rao bound 1/(2 N SNR), N = 65, ") + c.name,
        "Rife and Boorstyn, IEEE Trans. Inf. Theory 20(5) 591 (1974)",
        c.low > 2.0 ? "5.6 (half the symbols, at equal weight)" : "1", short_text(s.variance / bound));
  }
}

TEST_CASE("frequency estimates are unbiased and vary as a line in the fourth powers' own noise must") {
  // var(f T) >= 6 / (4 pi^2 2 SNR N (N^2 - 1)) from both rows; the fourth power's part above it is 1.15 for
  // QPSK at 15 dB and, with the pattern's noise, 17 for 16QAM at 20 dB. 600 captures: standard error of a
  // variance sqrt(2/600) = 5.8 %; four of them.
  for (const auto& [modulation, snr_db] : {std::pair{Modulation::kQpsk, 15.0}, {Modulation::kQam16, 20.0}}) {
    constexpr std::size_t kCount = 2048;
    const Spread s = frequency_errors(modulation, kCount, snr_db, 600);
    const double n = kCount;
    const double bound = 6.0 / (kTwoPi * kTwoPi * 2.0 * from_db(snr_db) * n * (n * n - 1.0));
    MESSAGE(name_of(modulation) << ": variance over bound " << s.variance / bound << ", bias "
                                << s.mean / s.error_of_mean() << " standard errors");
    CHECK(std::abs(s.mean) < 4.0 * s.error_of_mean());
    const double excess = fourth_power_excess(modulation, from_db(snr_db));
    CHECK(std::abs(s.variance / bound / excess - 1.0) < 4.0 * std::sqrt(2.0 / 600.0));
    validation::record("variance of the carrier offset over the Cramer-Rao bound, 2048 symbols, " +
                           name_of(modulation) + " at " + short_text(snr_db) + " dB",
                       "Rife and Boorstyn, IEEE Trans. Inf. Theory 20(5) 591 (1974), both polarisations",
                       short_text(excess) + " for a line in the fourth powers' own noise (derived)",
                       short_text(s.variance / bound));
  }
}
