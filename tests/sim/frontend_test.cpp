// Hybrid, photodiodes and converter.
#include "sim/frontend/frontend.h"

#include <doctest/doctest.h>

#include <cmath>

#include "sim/frontend/adc.h"
#include "sim/frontend/hybrid.h"
#include "sim/signal/units.h"

using namespace cohlink;
using Complex = std::complex<double>;

namespace {

Field<double> constant_field(std::size_t n, double rate, Complex x, Complex y) {
  Field<double> field(n, rate);
  std::fill(field.x.begin(), field.x.end(), x);
  std::fill(field.y.begin(), field.y.end(), y);
  return field;
}

}  // namespace

TEST_CASE("the hybrid's balanced outputs are the cosine and sine of the phase difference") {
  const Complex shifter = std::polar(1.0, -kPi / 2.0);
  for (int k = 0; k < 360; ++k) {
    const double phase = kTwoPi * k / 360.0 + 0.1, oscillator_phase = 0.7 * k;
    const HybridOutputs h = hybrid(std::polar(0.3, phase + oscillator_phase), std::polar(1.7, oscillator_phase), shifter);
    const double i = std::norm(h.i_plus) - std::norm(h.i_minus), q = std::norm(h.q_plus) - std::norm(h.q_minus);
    CHECK(std::abs(i / 0.51 - std::cos(phase)) < 1e-12);
    CHECK(std::abs(q / 0.51 - std::sin(phase)) < 1e-12);
    CHECK(std::abs(std::remainder(std::atan2(q, i) - phase, kTwoPi)) < 1e-12);
    // Lossless: what goes in comes out.
    CHECK(std::abs(std::norm(h.i_plus) + std::norm(h.i_minus) + std::norm(h.q_plus) + std::norm(h.q_minus) -
                   (0.3 * 0.3 + 1.7 * 1.7)) < 1e-12);
  }
}

TEST_CASE("a hybrid phase error turns I against Q by that angle") {
  const double error = 5.0 * kPi / 180.0;
  const Complex shifter = std::polar(1.0, -kPi / 2.0 + error);
  for (int k = 0; k < 16; ++k) {
    const double phase = kTwoPi * k / 16.0;
    const HybridOutputs h = hybrid(std::polar(1.0, phase), 1.0, shifter);
    CHECK(std::norm(h.i_plus) - std::norm(h.i_minus) == doctest::Approx(std::cos(phase - error)).epsilon(1e-12));
    CHECK(std::norm(h.q_plus) - std::norm(h.q_minus) == doctest::Approx(std::sin(phase)).epsilon(1e-12));
  }
}

TEST_CASE("photocurrents are R sqrt(Ps Plo) of each polarisation, and turn with the frequency offset") {
  FrontendParameters p;
  p.received_power = 2e-6;
  p.responsivity = 0.8;
  LocalOscillatorParameters lo;
  lo.power = 10e-3;
  lo.frequency_offset = 1e9;
  const auto field = constant_field(64, 64e9, {1, 0}, {1, 0});
  const auto currents = detect(field, lo, std::vector<double>(64, 0.3), p, RandomStreams(1));
  const double amplitude = 0.8 * std::sqrt(1e-6 * 5e-3);
  for (std::size_t t = 0; t < 64; ++t) {
    const Complex expected = std::polar(amplitude, kTwoPi * 1e9 * static_cast<double>(t) / 64e9 - 0.3);
    CHECK(std::abs(currents.x[t] - expected) < 1e-12 * amplitude);
    CHECK(std::abs(currents.y[t] - expected) < 1e-12 * amplitude);
  }
}

TEST_CASE("shot and thermal noise have the densities 2qI and the given one") {
  constexpr std::size_t n = 1 << 16;
  constexpr double rate = 128e9;
  LocalOscillatorParameters lo;
  lo.power = 10e-3;
  const std::vector<double> phase(n, 0.0);
  const auto variance = [&](const FrontendParameters& p) {
    const auto currents = detect(constant_field(n, rate, {0, 0}, {0, 0}), lo, phase, p, RandomStreams(2));
    return mean_power(currents.x) / 2.0;  // of one output
  };
  const double standard_error = std::sqrt(2.0 / (2.0 * n));  // of a variance from 2n samples
  FrontendParameters p;
  CHECK(variance(p) < 1e-36);
  p.thermal_noise = 20e-12;
  CHECK(variance(p) == doctest::Approx(20e-12 * 20e-12 * rate / 2.0).epsilon(4 * standard_error));
  p.thermal_noise = 0.0;
  p.shot_noise = true;
  p.responsivity = 0.5;
  // A quarter of the oscillator reaches each balanced output: LO/2 a polarisation, half of it to I.
  CHECK(variance(p) == doctest::Approx(2.0 * kElementaryCharge * 0.5 * lo.power / 4.0 * rate / 2.0).epsilon(4 * standard_error));
}

TEST_CASE("the Bessel path is 3 dB down at its bandwidth and flat in delay") {
  CHECK(to_db(std::norm(bessel_response(22e9, 22e9))) == doctest::Approx(-3.0103).epsilon(1e-4));
  CHECK(std::abs(bessel_response(0, 22e9)) == doctest::Approx(1.0));
  CHECK(std::abs(std::arg(bessel_response(5e9, 22e9))) < 1e-3);
}

TEST_CASE("sampling at any rate keeps a band-limited waveform") {
  FftCache fft(FftPlanning::kEstimate, "");
  constexpr std::size_t n = 1024;
  ComplexRow<double> row(n);
  const auto value = [](double t) { return std::polar(1.0, kTwoPi * 0.03125 * t) + 0.5 * std::polar(1.0, -kTwoPi * 0.125 * t); };
  for (std::size_t t = 0; t < n; ++t) row[t] = value(static_cast<double>(t));
  for (const double rate : {0.5, 0.625, 1.0, 2.0, 0.777, 1.0 + 1e-4}) {
    AdcParameters adc;
    adc.sample_rate = rate;
    const auto out = sample_row(row, 1.0, adc, fft);
    CHECK(out.size() == static_cast<std::size_t>(static_cast<double>(n) * rate));
    for (std::size_t k = 0; k < out.size(); ++k) CHECK(std::abs(out[k] - value(static_cast<double>(k) / rate)) < 1e-6);
  }
}

TEST_CASE("the converter loads each lane as asked, keeps its codes in range and counts what it clips") {
  FftCache fft(FftPlanning::kEstimate, "");
  auto random = RandomStreams(3).stream("noise");
  Field<double> currents(1 << 14, 1.0);
  for (auto* row : currents.rows()) {
    for (auto& z : *row) z = 1e-4 * random.complex_normal();
  }
  AdcParameters adc;
  adc.sample_rate = 1.0;
  adc.bits = 6;
  adc.loading_db = -6.0;
  const AdcOutput out = convert(currents, adc, fft);
  std::uint64_t at_rails = 0;
  for (std::size_t lane = 0; lane < 4; ++lane) {
    double power = 0.0;
    for (const int code : out.lanes[lane]) {
      CHECK(code >= -32);
      CHECK(code <= 31);
      at_rails += code == -32 || code == 31;
      power += static_cast<double>(code) * code;
    }
    CHECK(std::sqrt(power / (1 << 14)) == doctest::Approx(32.0 * std::pow(10.0, -0.3)).epsilon(0.06));  // clipping takes some
    CHECK(out.ampere_per_code[lane] == doctest::Approx(1e-4 / std::sqrt(2.0) / (32.0 * std::pow(10.0, -0.3))).epsilon(0.03));
  }
  // Gaussian beyond +-2 sigma: 4.55 %.
  CHECK(static_cast<double>(out.clipped_samples) / (4 << 14) == doctest::Approx(0.0455).epsilon(0.1));
  CHECK(at_rails >= out.clipped_samples);
}
