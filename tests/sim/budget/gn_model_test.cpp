// The Gaussian-noise model against itself: forms that must agree where they mean the same. Its agreement with
// split steps is in tests/published/studies_published.cpp.
#include "sim/budget/gn_model.h"

#include <doctest/doctest.h>

#include <cmath>
#include <complex>

#include "sim/signal/units.h"

using namespace cohlink;

namespace {

GnSection standard_span() {
  GnSection span;
  span.length = 80e3;
  span.loss = db_per_km_to_per_m(0.2);
  span.beta2 = dispersion_to_beta2(17.0);
  span.gamma = 1.3e-3;
  return span;
}

std::vector<GnSection> spans(std::size_t count) { return std::vector<GnSection>(count, standard_span()); }

GnSignal channel(double roll_off) {
  GnSignal signal;
  signal.pulse.symbol_rate = 32e9;
  signal.pulse.roll_off = roll_off;
  return signal;
}

double db_between(double a, double b) { return to_db(a / b); }

// For a rectangular spectrum all triples with |u v| = w have a closed form, which leaves one integral:
// matched filter: K = 4 [B ln(u+/u-) - 2 sqrt(B^2 - 4 w)], u+- = (B +- sqrt(B^2 - 4 w)) / 2.
double rectangular_matched_filter_eta(const GnSection& span, double band) {
  const int steps = 100000;
  const double largest = band * band / 4.0;
  double sum = 0.0;
  for (int i = 0; i < steps; ++i) {
    const double x = (i + 0.5) / steps, w = largest * x * x * x, dw = 3.0 * largest * x * x / steps;
    const double theta = 4.0 * kPi * kPi * span.beta2 * span.length * w;
    const std::complex<double> rate(span.loss, -theta / span.length);
    const double mixing = std::norm((1.0 - std::exp(-rate * span.length)) / rate);
    const double root = std::sqrt(band * band - 4.0 * w);
    sum += 4.0 * (band * std::log((band + root) * (band + root) / (4.0 * w)) - 2.0 * root) * mixing * dw;
  }
  return 16.0 / 27.0 * span.gamma * span.gamma * sum / std::pow(band, 3);
}

}  // namespace

TEST_CASE("the integral form equals its one-dimensional reduction for a nearly rectangular spectrum") {
  const double exact = rectangular_matched_filter_eta(standard_span(), 32e9);
  const double integral = GnIntegral(channel(0.01))(spans(1)).matched;
  // The roll-off of 1 % itself moves the value by a few hundredths of a decibel.
  CHECK(std::abs(db_between(integral, exact)) < 0.05);
}

TEST_CASE("the asinh form and the integral at band centre agree to half a decibel from 1 to 40 spans") {
  for (const std::size_t count : {1, 2, 5, 10, 20, 40}) {
    const double closed = gn_closed_form(spans(count), channel(0.05), Accumulation::kCoherent);
    const double integral = GnIntegral(channel(0.05))(spans(count)).centre;
    CAPTURE(count);
    CHECK(std::abs(db_between(closed, integral)) < 0.5);
  }
}

TEST_CASE("the closed form keeps its shape where its arguments vanish") {
  auto line = spans(3);
  for (auto& span : line) span.beta2 = 0.0;
  const double none = gn_closed_form(line, channel(0.05), Accumulation::kCoherent);
  for (auto& span : line) span.beta2 = -1e-33;
  const double little = gn_closed_form(line, channel(0.05), Accumulation::kCoherent);
  CHECK(none == doctest::Approx(little).epsilon(1e-3));
  // Without dispersion all spans add in phase: N^2.
  const double one = gn_closed_form({line[0]}, channel(0.05), Accumulation::kCoherent);
  CHECK(none == doctest::Approx(9.0 * one).epsilon(1e-3));
  // Without loss as well, power stays up all the way: more interference, and still a number.
  for (auto& span : line) span.loss = 0.0;
  CHECK(gn_closed_form(line, channel(0.05), Accumulation::kCoherent) > none);
  CHECK(gn_closed_form({}, channel(0.05), Accumulation::kCoherent) == 0.0);
}

TEST_CASE("neighbours add interference, the nearer the more") {
  GnSignal three = channel(0.05);
  three.channels = 3;
  three.spacing = 50e9;
  const auto line = spans(5);
  const double alone = GnIntegral(channel(0.05))(line).matched;
  const double near = GnIntegral(three)(line).matched;
  three.spacing = 100e9;
  const double far = GnIntegral(three)(line).matched;
  CHECK(near > far);
  CHECK(far > alone);
  three.channels = kMaximumIntegralChannels + 1;
  CHECK(std::isnan(GnIntegral(three)(line).matched));
}

TEST_CASE("QPSK is quieter than the Gaussian model, 16QAM less so, both most in the first span") {
  const auto reading = NoiseReading::kMatchedFilter;
  CHECK(egn_factor(spans(1), 32e9, Modulation::kGaussian, reading) == 1.0);
  double qpsk_before = 0.0;
  for (const std::size_t count : {1, 5, 20}) {
    const double qpsk = egn_factor(spans(count), 32e9, Modulation::kQpsk, reading);
    const double qam = egn_factor(spans(count), 32e9, Modulation::kQam16, reading);
    CAPTURE(count);
    CHECK(qpsk < qam);
    CHECK(qam < 1.0);
    CHECK(qpsk > qpsk_before);
    qpsk_before = qpsk;
  }
}

TEST_CASE("without dispersion the modulation-dependent part of cross-phase modulation has its closed form") {
  // The mixing is L_eff for all frequencies: Phi (80/81) gamma^2 L_eff^2 / B^3 times the mean over f of the
  // integral of (B - |u|)^2, which is B^3 / 2; one such term a neighbour, and N^2 over spans in phase.
  GnSection span = standard_span();
  span.beta2 = 0.0;
  const double effective = -std::expm1(-span.loss * span.length) / span.loss;
  const double one = 40.0 / 81.0 * std::pow(span.gamma * effective, 2);
  GnSignal comb = channel(0.05);
  comb.spacing = 50e9;
  for (const int channels : {1, 2, 3, 5}) {
    comb.channels = channels;
    const double neighbours = channels - 1;
    CHECK(egn_cross_phase({span, span}, comb, Modulation::kQpsk) ==
          doctest::Approx(-4.0 * neighbours * one).epsilon(2e-3));
    CHECK(egn_cross_phase({span, span}, comb, Modulation::kQam16) ==
          doctest::Approx(-4.0 * 0.68 * neighbours * one).epsilon(2e-3));
    CHECK(egn_cross_phase({span, span}, comb, Modulation::kGaussian) == 0.0);
  }
}

TEST_CASE("a line of unlike spans is the sum of its runs: splitting a span changes nothing") {
  // One span cut in two without an amplifier between them: the second half starts with what the first left.
  GnSection whole = standard_span(), half = whole;
  half.length = 0.5 * whole.length;
  GnSection rest = half;
  rest.relative_power = std::exp(-half.loss * half.length);
  const GnIntegral integral(channel(0.05));
  const double cut = integral({half, rest, half, rest, half, rest}).matched;
  CHECK(integral({whole, whole, whole}).matched == doctest::Approx(cut).epsilon(1e-3));
}

TEST_CASE("the closed form for a lossless span agrees with the integral at band centre to half a decibel") {
  GnSection lossless = standard_span();
  lossless.loss = 0.0;
  const std::vector<GnSection> line = {lossless};
  const double closed = gn_closed_form(line, channel(0.05), Accumulation::kIncoherent);
  const double integral = GnIntegral(channel(0.05))(line).centre;
  // As near as the form comes with loss; both are finite and above the span with loss.
  CHECK(std::abs(db_between(closed, integral)) < 0.5);
  CHECK(closed > gn_closed_form(spans(1), channel(0.05), Accumulation::kIncoherent));
}

TEST_CASE("spans in one run, one by one and at other powers add up alike") {
  // Eight equal spans are summed as a geometric series; a last bit of length or power makes each count by
  // itself.
  auto by_power = spans(8), by_length = spans(8), with_module = spans(8), module_by_length = with_module;
  for (auto* line : {&with_module, &module_by_length})
    for (auto& span : *line) span.module_beta2_length = -0.9 * span.beta2 * span.length;
  for (std::size_t k = 0; k < 8; k += 2) {
    by_power[k].relative_power = 1.0 + 1e-12;
    by_length[k].length *= 1.0 + 1e-12;
    module_by_length[k].length *= 1.0 + 1e-12;
  }
  const GnIntegral integral(channel(0.1));
  CHECK(integral(by_power).matched == doctest::Approx(integral(spans(8)).matched).epsilon(1e-9));
  CHECK(integral(by_length).matched == doctest::Approx(integral(spans(8)).matched).epsilon(1e-9));
  CHECK(integral(module_by_length).matched == doctest::Approx(integral(with_module).matched).epsilon(1e-9));
  CHECK(integral(with_module).matched > 1.5 * integral(spans(8)).matched);
}
