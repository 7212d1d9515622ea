// Statistics of polarisation-mode dispersion over many drawn fibres.
#include <doctest/doctest.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <vector>

#include "sim/fibre/line.h"
#include "sim/fibre/pmd.h"
#include "sim/signal/units.h"
#include "tests/validation.h"

using namespace cohlink;

namespace {

constexpr std::size_t kFibres = 6000;
constexpr std::size_t kOffsets = 6;
constexpr double kCoefficient = 0.5e-12 / 31.6227766;  // 0.5 ps/sqrt(km) in s/sqrt(m)
constexpr double kLength = 400e3;
const double kMeanDgd = kCoefficient * std::sqrt(kLength);  // 10 ps

struct Sample {
  std::vector<double> dgd, second_order_square, parallel_square, second_order;
  std::array<std::vector<double>, kOffsets> product;  // tau(w) . tau(w + offset)
};

double offset_w(std::size_t i) { return static_cast<double>(i + 1) * 0.5 / kMeanDgd; }

double dot(const StokesVector& a, const StokesVector& b) { return a[0] * b[0] + a[1] * b[1] + a[2] * b[2]; }

Sample draw() {
  LineParameters line;
  line.bandwidth = 1e9;
  line.steps = {StepLaw::kConstant, 1};
  line.pmd.sections_per_span = 200;
  line.sections.resize(1);
  line.sections[0].span.length = kLength;
  line.sections[0].span.pmd_coefficient = kCoefficient;
  Sample sample;
  for (std::size_t fibre = 0; fibre < kFibres; ++fibre) {
    const PropagationPlan plan = plan_line(line, RandomStreams(11, fibre));
    const PmdState state = pmd_state(plan, 0.0);
    const double parallel = dot(state.second_order, state.vector) / state.dgd;
    sample.dgd.push_back(state.dgd);
    sample.second_order.push_back(state.second_order_magnitude);
    sample.second_order_square.push_back(std::pow(state.second_order_magnitude, 2));
    sample.parallel_square.push_back(parallel * parallel);
    for (std::size_t i = 0; i < kOffsets; ++i) {
      sample.product[i].push_back(dot(state.vector, pmd_state(plan, offset_w(i) / kTwoPi).vector));
    }
  }
  return sample;
}

const Sample& sample() {
  static const Sample drawn = draw();
  return drawn;
}

struct Estimate {
  double mean, error;  // of the mean
};
Estimate estimate(const std::vector<double>& values) {
  double sum = 0.0, square = 0.0;
  for (const double v : values) {
    sum += v;
    square += v * v;
  }
  const double n = static_cast<double>(values.size()), mean = sum / n;
  return {mean, std::sqrt((square / n - mean * mean) / n)};
}

double rms(const std::vector<double>& values) {
  double square = 0.0;
  for (const double v : values) square += v * v;
  return std::sqrt(square / static_cast<double>(values.size()));
}

double maxwell_distribution(double x, double mean) {
  const double a = mean * std::sqrt(kPi / 8.0);
  return std::erf(x / (a * std::sqrt(2.0))) - std::sqrt(2.0 / kPi) * x / a * std::exp(-x * x / (2.0 * a * a));
}

// Asymptotic Kolmogorov distribution with Stephens' small-sample term.
double kolmogorov_p(double distance, double n) {
  const double x = (std::sqrt(n) + 0.12 + 0.11 / std::sqrt(n)) * distance;
  double p = 0.0;
  for (int k = 1; k <= 50; ++k) p += (k % 2 == 1 ? 2.0 : -2.0) * std::exp(-2.0 * k * k * x * x);
  return p;
}

}  // namespace

TEST_CASE("mean DGD is the PMD coefficient times the root of the length") {
  const double ratio = estimate(sample().dgd).mean / kMeanDgd;
  CHECK(std::abs(ratio - 1.0) < 0.02);  // the bar; standard error 0.42/sqrt(6000) = 0.54 %
  validation::record("Mean DGD over coefficient x sqrt(L)", "definition, ITU-T G.650.2 (from memory)", 1.0,
                     ratio, 0.02);
}

TEST_CASE("RMS over mean DGD is that of a Maxwell distribution") {
  const double expected = std::sqrt(3.0 * kPi / 8.0), ratio = rms(sample().dgd) / estimate(sample().dgd).mean;
  CHECK(std::abs(ratio / expected - 1.0) < 0.01);
  validation::record("RMS over mean DGD", "Maxwell distribution: Foschini and Poole, JLT 9(11) 1439 (1991)",
                     expected, ratio, 0.01 * expected);
}

TEST_CASE("DGD is Maxwell-distributed") {
  std::vector<double> sorted = sample().dgd;
  std::sort(sorted.begin(), sorted.end());
  const double n = static_cast<double>(sorted.size());
  double distance = 0.0;
  for (std::size_t i = 0; i < sorted.size(); ++i) {
    const double f = maxwell_distribution(sorted[i], kMeanDgd);
    distance = std::max(
        {distance, std::abs(f - static_cast<double>(i) / n), std::abs(f - static_cast<double>(i + 1) / n)});
  }
  const double p = kolmogorov_p(distance, n);
  CHECK(p > 0.01);
  validation::record("DGD against Maxwell, Kolmogorov-Smirnov", "Poole, Winters, Nagel, Opt. Lett. 16 (1991)",
                     "p > 0.01", "p = " + std::to_string(p));
}

// Means within three standard errors: one in 370 by chance for each of the eight checks below, and the seed
// is fixed.
TEST_CASE("second-order PMD has the published moments") {
  const double mean_square = std::pow(kMeanDgd, 2) * 3.0 * kPi / 8.0;
  const struct {
    const char* claim;
    const std::vector<double>& values;
    double expected;
  } checks[] = {
      {"Mean square of second-order PMD over <tau^2>^2", sample().second_order_square, 1.0 / 3.0},
      {"Mean square of its parallel part over <tau^2>^2", sample().parallel_square, 1.0 / 27.0},
  };
  for (const auto& check : checks) {
    const Estimate e = estimate(check.values);
    const double scale = mean_square * mean_square;
    INFO(check.claim << ": " << e.mean / scale << " +- " << e.error / scale);
    CHECK(std::abs(e.mean / scale - check.expected) < 3.0 * e.error / scale);
    validation::record(check.claim, "Foschini, Jopson et al. (from memory)", check.expected, e.mean / scale,
                       3.0 * e.error / scale);
  }
  // 2 G/pi with Catalan's constant G.
  const double expected = 2.0 * 0.915965594177219 / kPi, scale = kMeanDgd * kMeanDgd;
  const Estimate e = estimate(sample().second_order);
  CHECK(std::abs(e.mean / scale - expected) < 3.0 * e.error / scale);
  validation::record("Mean second-order PMD over mean DGD squared", "Foschini, Jopson et al. (from memory)",
                     expected, e.mean / scale, 3.0 * e.error / scale);
}

TEST_CASE("the DGD vector forgets its direction over frequency as published") {
  const double mean_square = std::pow(kMeanDgd, 2) * 3.0 * kPi / 8.0;
  for (std::size_t i = 0; i < kOffsets; ++i) {
    const double w = offset_w(i), expected = 3.0 * -std::expm1(-mean_square * w * w / 3.0) / (w * w);
    const Estimate e = estimate(sample().product[i]);
    INFO("offset " << w * kMeanDgd << " / mean DGD: " << e.mean / expected
                   << " of the published value, standard error " << e.error / expected);
    CHECK(std::abs(e.mean - expected) < 3.0 * e.error);
    validation::record("Autocorrelation of the DGD vector over <tau^2> at w x mean DGD = " +
                           std::to_string(w * kMeanDgd).substr(0, 3),
                       "Karlsson and Brentel, Opt. Lett. 24 (1999) (from memory)", expected / mean_square,
                       e.mean / mean_square, 3.0 * e.error / mean_square);
  }
}
