#include "rx/quality/metrics.h"

#include <doctest/doctest.h>

#include <cmath>
#include <limits>
#include <stdexcept>

#include "tests/rx/generator.h"

using namespace cohlink;

TEST_CASE("Clopper-Pearson intervals agree with published ones") {
  // R. G. Newcombe, Statistics in Medicine 17, 857 (1998), table I, method 5 (exact), four decimals; from
  // memory.
  struct Row {
    std::uint64_t errors, trials;
    double low, high;
  };
  for (const Row& row : {Row{81, 263, 0.2527, 0.3676}, Row{15, 148, 0.0578, 0.1617}, Row{0, 20, 0.0, 0.1684},
                         Row{1, 29, 0.0009, 0.1776}}) {
    const Interval interval = clopper_pearson(row.errors, row.trials);
    CHECK(std::abs(interval.low - row.low) <= 0.51e-4);
    CHECK(std::abs(interval.high - row.high) <= 0.51e-4);
  }
}

TEST_CASE("Clopper-Pearson has its closed forms when nothing or everything failed") {
  for (const double n : {1.0, 10.0, 1e6}) {
    const auto trials = static_cast<std::uint64_t>(n);
    CHECK(clopper_pearson(0, trials).low == 0.0);
    CHECK(clopper_pearson(0, trials).high == doctest::Approx(1.0 - std::pow(0.025, 1.0 / n)).epsilon(1e-9));
    CHECK(clopper_pearson(trials, trials).low == doctest::Approx(std::pow(0.025, 1.0 / n)).epsilon(1e-9));
    CHECK(clopper_pearson(trials, trials).high == 1.0);
  }
  CHECK(clopper_pearson(0, 0).high == 1.0);
  CHECK_THROWS_AS(clopper_pearson(2, 1), std::invalid_argument);
  CHECK_THROWS_AS(clopper_pearson(0, 1, 1.0), std::invalid_argument);
}

TEST_CASE("errors in bunches count for as many independent ones as tell as much") {
  // 200 errors that come in pairs tell what 100 do: Korn and Graubard, Survey Methodology 24(2), 193 (1998).
  const Interval pairs = error_interval({200, 20000}, 2.0), single = clopper_pearson(100, 10000);
  CHECK(pairs.low == single.low);
  CHECK(pairs.high == single.high);
  CHECK(error_interval({100, 10000}, 1.0).low == single.low);
  CHECK(error_interval({0, 0}, 2.0).high == 1.0);
  CHECK_THROWS_AS(error_interval({2, 1}, 2.0), std::invalid_argument);
}

TEST_CASE("Clopper-Pearson at 99.9 % encloses the 95 % interval") {
  const Interval narrow = clopper_pearson(100, 10000), wide = clopper_pearson(100, 10000, 0.999);
  CHECK(wide.low < narrow.low);
  CHECK(wide.high > narrow.high);
}

TEST_CASE("Q of BER 1e-3 is 9.80 dB") {
  // QPSK at SNR 9.80 dB has BER 1e-3 and Q^2 = SNR (recomputed: 20 log10 3.09023).
  CHECK(q_from_ber_db(1e-3) == doctest::Approx(9.79982).epsilon(1e-6));
  CHECK(std::isinf(q_from_ber_db(0.0)));
  CHECK(q_from_ber_db(0.5) == -std::numeric_limits<double>::infinity());
}

TEST_CASE("Error vector finds gain and noise exactly, and EVM is their ratio") {
  const auto sent = test::random_symbols(Modulation::kQam16, 40000);
  auto field = test::at_symbol_rate(sent.symbols);
  test::add_noise(field, 0.01);
  const std::complex<double> gain(0.3, -0.4);
  for (auto& y : field.x) y = std::complex<float>(gain * std::complex<double>(y));
  const ErrorVector fit = error_vector(field.x, sent.symbols[0]);
  // 40000 noise samples: relative deviation of the measured power 1/sqrt(40000); four of them.
  CHECK(fit.snr == doctest::Approx(100.0).epsilon(4.0 / 200.0));
  CHECK(std::abs(fit.gain - gain) < 4.0 * 0.5 * 0.1 / 200.0);
  CHECK(fit.evm_percent() == doctest::Approx(100.0 / std::sqrt(fit.snr)));
  CHECK(combine(fit, fit).snr == doctest::Approx(fit.snr));
}
