// Lasers: phase increments, frequency noise, line shape, intensity noise, drift and dither, each against the
// key. Statistical tolerances are four standard errors.
#include "sim/transmitter/laser.h"

#include <doctest/doctest.h>

#include <cmath>

#include "sim/signal/units.h"
#include "tests/ffts.h"

using namespace cohlink;
using test::ffts;
using Complex = std::complex<double>;

namespace {

// Instantaneous frequency of a phase, by differences [Hz].
std::vector<double> frequency_of(const std::vector<double>& phase, double rate) {
  std::vector<double> f(phase.size() - 1);
  for (std::size_t t = 0; t + 1 < phase.size(); ++t) f[t] = (phase[t + 1] - phase[t]) * rate / kTwoPi;
  return f;
}

// Mean one-sided periodogram of a real record over bins first..last, Hann window.
double density(const std::vector<double>& record, double rate, std::size_t first, std::size_t last) {
  const std::size_t n = record.size();
  ComplexRow<double> row(n);
  double window_power = 0;
  for (std::size_t t = 0; t < n; ++t) {
    const double w = 0.5 - 0.5 * std::cos(kTwoPi * t / n);
    window_power += w * w;
    row[t] = w * record[t];
  }
  ffts().get<double>(n).forward(row);
  double sum = 0;
  for (std::size_t k = first; k <= last; ++k) sum += 2.0 * std::norm(row[k]) / (window_power * rate);
  return sum / static_cast<double>(last - first + 1);
}

}  // namespace

TEST_CASE("laser: phase increments have variance 2 pi dnu T, and an ideal laser stands still") {
  constexpr std::size_t n = 1 << 18;
  LaserParameters p;
  CHECK(run_laser(p, "tx", {100, 1e9}, RandomStreams(1), ffts()).phase == std::vector<double>(100, 0.0));
  CHECK(run_laser(p, "tx", {100, 1e9}, RandomStreams(1), ffts()).relative_power.empty());
  p.linewidth = 100e3;
  const auto phase = run_laser(p, "tx", {n, 64e9}, RandomStreams(1), ffts()).phase;
  double variance = 0, lagged = 0;
  for (std::size_t t = 0; t + 2 < n; ++t) {
    variance += std::pow(phase[t + 1] - phase[t], 2) / (n - 2);
    lagged += (phase[t + 1] - phase[t]) * (phase[t + 2] - phase[t + 1]) / (n - 2);
  }
  const double expected = kTwoPi * 100e3 / 64e9;
  CHECK(std::abs(variance / expected - 1.0) < 4 * std::sqrt(2.0 / n));
  CHECK(std::abs(lagged / expected) < 4 / std::sqrt(n));
}

TEST_CASE("laser: the frequency noise of a Lorentzian line is flat at dnu/pi") {
  constexpr std::size_t n = 1 << 17;
  constexpr double rate = 1e9;
  LaserParameters p;
  p.linewidth = 200e3;
  const auto f = frequency_of(run_laser(p, "tx", {n + 1, rate}, RandomStreams(2), ffts()).phase, rate);
  // A band of m bins under a Hann window holds about m/1.5 independent ones.
  for (const std::size_t first : {16, 256, 2048, 16384}) {
    const std::size_t last = 2 * first - 1;
    CHECK(std::abs(density(f, rate, first, last) / (200e3 / kPi) - 1.0) <
          4 * std::sqrt(1.5 / static_cast<double>(first)));
  }
}

TEST_CASE("laser: 1/f frequency noise has the stated density at 1 MHz and falls as 1/f") {
  constexpr std::size_t n = 1 << 18;
  constexpr double rate = 1e9;
  LaserParameters p;
  p.flicker = 3e5;
  const auto f = frequency_of(run_laser(p, "tx", {n + 1, rate}, RandomStreams(3), ffts()).phase, rate);
  for (const double centre : {0.3e6, 1e6, 10e6, 50e6}) {
    const auto half = static_cast<std::size_t>(0.1 * centre / rate * n),
               middle = static_cast<std::size_t>(centre / rate * n);
    CHECK(density(f, rate, middle - half, middle + half) ==
          doctest::Approx(3e5 * 1e6 / centre).epsilon(0.01 + 4 * std::sqrt(1.5 / (2.0 * half + 1))));
  }
}

TEST_CASE("laser: intensity noise has its density up to its bandwidth, and mean power 1") {
  constexpr std::size_t n = 1 << 16;
  constexpr double rate = 64e9;
  LaserParameters p;
  p.rin = from_db(-130.0);
  p.rin_bandwidth = 10e9;
  const auto power = run_laser(p, "lo", {n, rate}, RandomStreams(4), ffts()).relative_power;
  double mean = 0;
  for (const double x : power) mean += x / n;
  CHECK(std::abs(mean - 1.0) < 1e-3);
  const auto bin = [&](double f) { return static_cast<std::size_t>(f / rate * n); };
  CHECK(std::abs(to_db(density(power, rate, bin(1e9), bin(9.9e9))) + 130.0) < 0.3);
  CHECK(to_db(density(power, rate, bin(10.1e9), bin(30e9))) < -180.0);
}

TEST_CASE("laser: drift and dither turn the phase as a rising optical frequency does, backwards") {
  constexpr std::size_t n = 1 << 14;
  constexpr double rate = 1e9;
  LaserParameters p;
  p.drift = 1e12;  // 1 MHz/us
  auto f = frequency_of(run_laser(p, "tx", {n, rate}, RandomStreams(5), ffts()).phase, rate);
  CHECK(f.back() == doctest::Approx(-1e12 * (n - 1.5) / rate).epsilon(1e-6));
  p.drift = 0;
  p.dither = 20e6;
  p.dither_rate = 1e6;
  f = frequency_of(run_laser(p, "tx", {n, rate}, RandomStreams(5), ffts()).phase, rate);
  double peak = 0;
  for (const double x : f) peak = std::max(peak, std::abs(x));
  CHECK(peak == doctest::Approx(20e6).epsilon(1e-4));
  // Frames differ in where the dither stands.
  const auto other = frequency_of(run_laser(p, "tx", {n, rate}, RandomStreams(5, 1), ffts()).phase, rate);
  CHECK(std::abs(other[0] - f[0]) > 1e3);
}
