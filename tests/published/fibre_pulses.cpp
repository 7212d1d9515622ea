// Pulses with closed forms, through every engine.
//
// Source throughout: G. P. Agrawal, Nonlinear Fiber Optics (Academic Press): Gaussian broadening eq. 3.2.19,
// self-phase modulation sec. 4.1, solitons sec. 5.2. Equation numbers vary by edition and are from memory.
#include <doctest/doctest.h>

#include <cmath>
#include <functional>

#include "sim/fibre/engine.h"
#include "sim/signal/units.h"

using namespace cohlink;

namespace {

constexpr double kBeta2 = -20e-27;  // s^2/m
constexpr double kKerr = 1.2e-3;    // 1/(W m)

FftCache& ffts() {
  static FftCache cache(FftPlanning::kEstimate, "");
  return cache;
}

// A pulse in x only, centred in the window.
Field<double> pulse(std::size_t n, double window, const std::function<std::complex<double>(double)>& shape) {
  Field<double> field(n, static_cast<double>(n) / window);
  const double samples = static_cast<double>(n);
  for (std::size_t i = 0; i < n; ++i)
    field.x[i] = shape((static_cast<double>(i) - samples / 2.0) * window / samples);
  return field;
}

PropagationPlan fibre_plan(double length, int steps, const FibreConstants& fibre) {
  PropagationPlan plan;
  for (int i = 0; i < steps; ++i) plan.elements.push_back(SplitStep{length / steps, fibre});
  return plan;
}

enum class Engine { kReference, kNatural, kTwoPass };

void propagate(Field<double>& field, const PropagationPlan& plan, Engine engine = Engine::kTwoPass) {
  const RandomStreams streams(1);
  if (engine == Engine::kReference) ReferenceEngine{ffts()}(field, plan, streams);
  if (engine == Engine::kNatural) FastEngine<double>{ffts(), FieldLayout::kNatural}(field, plan, streams);
  if (engine == Engine::kTwoPass) FastEngine<double>{ffts(), FieldLayout::kTwoPass}(field, plan, streams);
}

double rms_width(const Field<double>& field) {
  const double middle = static_cast<double>(field.size()) / 2.0;
  double p = 0.0, t1 = 0.0, t2 = 0.0;
  for (std::size_t i = 0; i < field.size(); ++i) {
    const double t = (static_cast<double>(i) - middle) / field.sample_rate, w = std::norm(field.x[i]);
    p += w;
    t1 += w * t;
    t2 += w * t * t;
  }
  return std::sqrt(t2 / p - t1 * t1 / (p * p));
}

double largest_difference(const Field<double>& a, const Field<double>& b) {
  double worst = 0.0;
  for (std::size_t i = 0; i < a.size(); ++i) worst = std::max(worst, std::abs(a.x[i] - b.x[i]));
  return worst;
}

constexpr double kT0 = 10e-12;
const double kDispersionLength = kT0 * kT0 / std::abs(kBeta2);  // 5 km
const double kSolitonPower = std::abs(kBeta2) / (kKerr * kT0 * kT0);

Field<double> sech_pulse(double order, std::size_t n = 1024) {
  const double peak = order * std::sqrt(kSolitonPower);
  return pulse(n, 64 * kT0, [&](double t) { return peak / std::cosh(t / kT0); });
}

// Largest error of the fundamental soliton after one period z0 = pi L_D/2, over its peak. Exact: phase kerr
// P0 z/2.
double soliton_error(int steps, Engine engine) {
  Field<double> field = sech_pulse(1.0), exact = field;
  const double period = kPi * kDispersionLength / 2.0;
  for (auto& a : exact.x) a *= std::polar(1.0, kKerr * kSolitonPower * period / 2.0);
  propagate(field, fibre_plan(period, steps, {kBeta2, 0.0, 0.0, kKerr}), engine);
  return largest_difference(field, exact) / std::sqrt(kSolitonPower);
}

}  // namespace

TEST_CASE("a Gaussian pulse broadens as the textbook says") {
  // T1/T0 = sqrt((1 + C b2 z/T0^2)^2 + (b2 z/T0^2)^2). The tolerance is the bar; rounding is far
  // below it.
  for (const Engine engine : {Engine::kReference, Engine::kNatural, Engine::kTwoPass}) {
    for (const double chirp : {0.0, 2.0, -2.0}) {
      Field<double> field = pulse(4096, 200 * kT0, [&](double t) {
        return std::exp(-std::complex<double>(1.0, chirp) / 2.0 * std::pow(t / kT0, 2));
      });
      const double before = rms_width(field);
      propagate(field, fibre_plan(1.5 * kDispersionLength, 3, {kBeta2, 0.0, 0.0, 0.0}), engine);
      const double x = kBeta2 * 1.5 * kDispersionLength / (kT0 * kT0);
      const double expected = std::hypot(1.0 + chirp * x, x);
      CHECK(std::abs(rms_width(field) / before / expected - 1.0) < 1e-9);
    }
  }
}

TEST_CASE("the fundamental soliton keeps amplitude and phase over a period") {
  for (const Engine engine : {Engine::kReference, Engine::kNatural, Engine::kTwoPass}) {
    CHECK(soliton_error(400, engine) < 1e-5);
  }
}

TEST_CASE("the symmetric split step converges at second order") {
  // Slope of the error between 100 and 200, and 200 and 400 steps; terms of fourth order shift it by about
  // 1e-3.
  for (const Engine engine : {Engine::kReference, Engine::kNatural, Engine::kTwoPass}) {
    const double e1 = soliton_error(100, engine), e2 = soliton_error(200, engine),
                 e4 = soliton_error(400, engine);
    CHECK(std::log2(e1 / e2) == doctest::Approx(2.0).epsilon(0.02));
    CHECK(std::log2(e2 / e4) == doctest::Approx(2.0).epsilon(0.02));
  }
}

TEST_CASE("lossless propagation conserves power") {
  for (const Engine engine : {Engine::kReference, Engine::kNatural, Engine::kTwoPass}) {
    Field<double> field = sech_pulse(2.0);
    for (std::size_t i = 0; i < field.size(); ++i)
      field.y[i] = field.x[(i + 37) % field.size()] * std::complex<double>(0.3, 0.4);
    const double before = mean_power(field);
    propagate(field, fibre_plan(kPi * kDispersionLength / 2.0, 200, {kBeta2, 0.1e-39, 0.0, kKerr}), engine);
    CHECK(std::abs(mean_power(field) / before - 1.0) < 1e-12);
  }
}
