// The integral of the Gaussian-noise model against forms that must mean the same, and its convergence. Its
// agreement with split steps is in tests/published.
#include "sim/budget/gn_integral.h"

#include <doctest/doctest.h>

#include <cmath>
#include <complex>

#include "tests/sim/budget/gn_cases.h"

using namespace cohlink;
using namespace cohlink::test;

namespace {

// For a rectangular spectrum all triples with |u v| = w have a closed form, which leaves one integral:
// matched filter: K = 4 [B ln(u+/u-) - 2 sqrt(B^2 - 4 w)], u+- = (B +- sqrt(B^2 - 4 w)) / 2.
double rectangular_matched_filter_eta(const GnSection& span, double spans, double band) {
  const int steps = 400000;
  const double largest = band * band / 4.0;
  double sum = 0.0;
  for (int i = 0; i < steps; ++i) {
    const double x = (i + 0.5) / steps, w = largest * x * x * x, dw = 3.0 * largest * x * x / steps;
    const double theta = 4.0 * kPi * kPi * span.beta2 * span.length * w;
    const std::complex<double> rate(span.loss, -theta / span.length);
    const double below = std::sin(0.5 * theta);
    const double array = std::abs(below) < 1e-9 ? spans : std::sin(0.5 * spans * theta) / below;
    const double mixing = std::norm((1.0 - std::exp(-rate * span.length)) / rate) * array * array;
    const double root = std::sqrt(band * band - 4.0 * w);
    sum += 4.0 * (band * std::log((band + root) * (band + root) / (4.0 * w)) - 2.0 * root) * mixing * dw;
  }
  return 16.0 / 27.0 * span.gamma * span.gamma * sum / std::pow(band, 3);
}

}  // namespace

TEST_CASE("the integral equals its one-dimensional reduction for a nearly rectangular spectrum") {
  const auto eta = GnIntegral({channel(0.01)}).after_each_span(standard_spans(20));
  for (const std::size_t count : {1, 2, 5, 20}) {
    const double exact = rectangular_matched_filter_eta(standard_span(), static_cast<double>(count), 32e9);
    CAPTURE(count);
    // The roll-off of 1 % itself moves the value by a few hundredths of a decibel.
    CHECK(std::abs(db_between(eta[count - 1].matched, exact)) < 0.05);
  }
}

TEST_CASE(
    "the integral grows with every span and every channel, and twice the grid changes it below 0.02 dB") {
  struct Case {
    double symbol_rate, spacing, dispersion;
    int channels;
    std::size_t spans;
  };
  // Long lines and wide combs, where frequencies are many and turn fast.
  for (const Case& c :
       {Case{32e9, 50e9, 17.0, 6, 400}, Case{32e9, 100e9, 17.0, 9, 60}, Case{96e9, 112.5e9, 17.0, 9, 30},
        Case{10e9, 50e9, 17.0, 9, 40}, Case{32e9, 50e9, 2.0, 9, 40}, Case{32e9, 50e9, 0.1, 4, 40}}) {
    CAPTURE(c.symbol_rate);
    CAPTURE(c.spacing);
    CAPTURE(c.dispersion);
    GnChannel own = channel(0.1);
    own.pulse.symbol_rate = c.symbol_rate;
    GnSection span = standard_span();
    span.beta2 = dispersion_to_beta2(c.dispersion);
    const GnLight light = equal_comb(own, c.channels, c.spacing);
    const GnLine line(c.spans, span);
    const auto eta = GnIntegral(light).after_each_span(line),
               finer = GnIntegral(light, 30).after_each_span(line);
    for (std::size_t k = 0; k < line.size(); ++k) {
      REQUIRE(std::abs(db_between(eta[k].matched, finer[k].matched)) < 0.02);
      if (k > 0) REQUIRE(eta[k].matched > eta[k - 1].matched);
    }
  }
  double before = 0.0;
  for (int channels = 1; channels <= 80; channels += channels < 12 ? 1 : 17) {
    const double eta = GnIntegral(equal_comb(channel(0.1), channels, 50e9))(standard_spans(3)).matched;
    CHECK(eta > before);
    // The tenth channel is far away: no step in the model.
    if (channels == 10) CHECK(db_between(eta, before) < 0.3);
    before = eta;
  }
}

TEST_CASE("what is said of a span does not hang on the spans that follow") {
  const GnLight light = equal_comb(channel(0.1), 3, 50e9);
  GnIntegral integral(light);
  const auto all = integral.after_each_span(standard_spans(30));
  for (const std::size_t count : {1, 7, 19})
    CHECK(GnIntegral(light)(standard_spans(count)).matched == all[count - 1].matched);
}

TEST_CASE("neighbours add interference, the nearer the more, with the square of their power") {
  const GnLine line = standard_spans(5);
  const GnLight near = equal_comb(channel(0.05), 3, 50e9), far = equal_comb(channel(0.05), 3, 100e9);
  const double alone = GnIntegral({channel(0.05)})(line).matched;
  CHECK(GnIntegral(near)(line).matched > GnIntegral(far)(line).matched);
  CHECK(GnIntegral(far)(line).matched > alone);
  // Far from each other channels mix by cross-phase modulation alone: P of the own, P^2 of the neighbour.
  GnLight strong = {far[0], far[1]};
  const double equal = GnIntegral(strong)(line).matched - alone;
  strong[1].power = 3.0;
  CHECK(GnIntegral(strong)(line).matched - alone == doctest::Approx(9.0 * equal).epsilon(0.01));
}

TEST_CASE("a line of unlike spans is the sum of its runs: splitting a span changes nothing") {
  // One span cut in two without an amplifier between them: the second half starts with what the first left.
  GnSection whole = standard_span(), half = whole;
  half.length = 0.5 * whole.length;
  GnSection rest = half;
  rest.relative_power = std::exp(-half.loss * half.length);
  for (const int channels : {1, 5}) {
    GnIntegral integral(equal_comb(channel(0.05), channels, 50e9));
    const double cut = integral({half, rest, half, rest, half, rest}).matched;
    CHECK(integral({whole, whole, whole}).matched == doctest::Approx(cut).epsilon(3e-3));
  }
}

TEST_CASE("spans at other powers and lengths add up alike") {
  auto by_length = standard_spans(8), with_module = standard_spans(8), module_by_length = with_module;
  for (auto* line : {&with_module, &module_by_length})
    for (auto& span : *line) span.module_beta2_length = -0.9 * span.beta2 * span.length;
  for (std::size_t k = 0; k < 8; k += 2) {
    by_length[k].length *= 1.0 + 1e-12;
    module_by_length[k].length *= 1.0 + 1e-12;
  }
  GnIntegral integral({channel(0.1)});
  CHECK(integral(by_length).matched == doctest::Approx(integral(standard_spans(8)).matched).epsilon(1e-6));
  CHECK(integral(module_by_length).matched == doctest::Approx(integral(with_module).matched).epsilon(1e-6));
  CHECK(integral(with_module).matched > 1.5 * integral(standard_spans(8)).matched);
  // Full compensation: all spans in phase, N^2.
  for (auto& span : with_module) span.module_beta2_length = -span.beta2 * span.length;
  CHECK(integral(with_module).matched ==
        doctest::Approx(64.0 * integral({with_module[0]}).matched).epsilon(1e-9));
}
