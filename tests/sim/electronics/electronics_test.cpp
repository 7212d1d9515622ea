// Electronics by whole rows: against the formula of one number at a time.
#include <doctest/doctest.h>

#include <cmath>

#include "sim/electronics/bessel.h"
#include "sim/electronics/lanes.h"
#include "sim/electronics/quantiser.h"
#include "sim/electronics/soft_limit.h"
#include "sim/signal/random.h"
#include "sim/signal/units.h"
#include "tests/ffts.h"

using namespace cohlink;
using test::ffts;
using Complex = std::complex<double>;

namespace {

constexpr double kRounding = 2e-15;  // of a value of order one, over the few operations of each formula

ComplexRow<double> noise(std::size_t samples) {
  ComplexRow<double> row(samples);
  RandomStreams(1).stream("test").fill_noise(0, 1.0, std::span(row));
  return row;
}

}  // namespace

TEST_CASE("a Bessel filter at many frequencies is that at each, whatever their number") {
  std::vector<double> frequencies(1031);
  for (std::size_t k = 0; k < frequencies.size(); ++k)
    frequencies[k] = (static_cast<double>(k) - 300.0) * 0.1e9;
  for (const int order : {1, 2, 4, 5, 10}) {
    const BesselFilter filter(order, 22e9);
    const auto many = filter(frequencies);
    double worst = 0.0;
    for (std::size_t k = 0; k < many.size(); ++k)
      worst = std::max(worst, std::abs(many[k] - filter(frequencies[k])));
    CHECK(worst < 4 * kRounding);
  }
}

TEST_CASE("saturation of a row is that of each lane's samples with its own limit") {
  for (const std::size_t samples : {std::size_t{3}, std::size_t{1000}, std::size_t{1001}}) {
    const ComplexRow<double> before = noise(samples);
    ComplexRow<double> row = before;
    soft_limit(row, 0.8, 1.7);
    double worst = 0.0;
    for (std::size_t t = 0; t < samples; ++t)
      worst = std::max(worst, std::abs(row[t] - Complex(soft_limit(before[t].real(), 0.8),
                                                        soft_limit(before[t].imag(), 1.7))));
    CHECK(worst < kRounding);
  }
}

TEST_CASE("a quantiser rounds halves to even, clips at its outermost codes and counts what it clipped") {
  Quantiser quantise({3, {}});
  RandomStream random = RandomStreams(1).stream("test");
  // Rounding to nearest even: IEEE 754, 4.3.1. Codes of 3 bits in two's complement: -4 to 3.
  std::vector<double> x = {0.5, 1.5, -0.5, -1.5, 2.49, 2.51, 3.49, 3.51, -4.49, -4.51, 100.0, -100.0};
  quantise(x, random);
  CHECK(x == std::vector<double>{0, 2, 0, -2, 2, 3, 3, 3, -4, -4, 3, -4});
  CHECK(quantise.clipped() == 4);
  CHECK(random.normal() == RandomStreams(1).stream("test").normal());  // none was drawn
}

TEST_CASE("lanes are delayed each by its own: a tone in I and one in Q come out turned by 2 pi f delay") {
  constexpr std::size_t kSamples = 600;
  constexpr double kRate = 64e9, kDelayI = 3.3e-12, kDelayQ = -1.7e-12;
  const double f = 7.0 * kRate / kSamples;
  const auto tones = [&](double delay_i, double delay_q) {
    ComplexRow<double> row(kSamples);
    for (std::size_t t = 0; t < kSamples; ++t) {
      const double now = static_cast<double>(t) / kRate;
      row[t] = {std::cos(kTwoPi * f * (now - delay_i)), 0.5 * std::sin(2.0 * kTwoPi * f * (now - delay_q))};
    }
    return row;
  };
  for (const double delay_q : {kDelayQ, kDelayI, 0.0}) {
    ComplexRow<double> row = tones(0.0, 0.0);
    delay_lanes(row, kRate, kDelayI, delay_q, ffts());
    const ComplexRow<double> expected = tones(kDelayI, delay_q);
    double worst = 0.0;
    for (std::size_t t = 0; t < kSamples; ++t) worst = std::max(worst, std::abs(row[t] - expected[t]));
    CHECK(worst < 1e-13);  // phases of 2 pi f t up to 100 rad round by 1e-14
  }
}
