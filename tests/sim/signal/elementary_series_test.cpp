#include "sim/signal/elementary.h"

#include <doctest/doctest.h>

#include <algorithm>
#include <cmath>
#include <vector>

#include "sim/signal/elementary_series.h"

using namespace cohlink;

TEST_CASE("exponentials and logarithms are those of the C library in every instruction set") {
  std::vector<double> arguments;
  for (double x = -708.0; x <= 708.0; x += 0.0137) arguments.push_back(x);
  for (double x = -1e-3; x <= 1e-3; x += 1e-7) arguments.push_back(x);  // results near one
  for (const char* name : {"portable", "avx2", "avx512"}) {
    CAPTURE(name);
    const elementary::Functions* functions = elementary::named_functions(name);
    if (functions == nullptr) continue;  // this processor lacks it
    std::vector<double> power = arguments;
    functions->exponential(power.data(), power.size());
    std::vector<double> back = power;
    functions->logarithm(back.data(), back.size());
    double worst = 0.0, worst_back = 0.0;
    for (std::size_t i = 0; i < arguments.size(); ++i) {
      const long double exact = std::exp(static_cast<long double>(arguments[i]));
      const long double exact_back = std::log(static_cast<long double>(power[i]));
      worst = std::max(worst, static_cast<double>(std::abs((power[i] - exact) / exact)));
      if (exact_back != 0.0L)
        worst_back = std::max(worst_back, static_cast<double>(std::abs((back[i] - exact_back) / exact_back)));
    }
    CHECK(worst < 4e-16);  // the stated bounds: a rounding is 1.1e-16
    CHECK(worst_back < 6e-16);
  }
}

TEST_CASE("exponentials far out end where double precision does, and any count works") {
  std::vector<double> x = {-1e300, -800.0, 800.0, 0.0, 1.0};
  elementary::exponential(std::span(x));
  CHECK(x[0] < 1e-300);
  CHECK(x[1] < 1e-300);
  CHECK(x[2] > 1e300);
  CHECK(x[3] == 1.0);
  for (std::size_t count = 1; count < 20; ++count) {
    std::vector<double> ones(count + 1, 0.0);
    elementary::exponential(std::span(ones.data(), count));
    CHECK(std::all_of(ones.begin(), ones.end() - 1, [](double v) { return v == 1.0; }));
    CHECK(ones.back() == 0.0);
  }
}

TEST_CASE("exponentials and logarithms in single precision keep their stated errors beside the C library's") {
  typedef float Floats __attribute__((vector_size(32)));
  typedef std::uint32_t Words __attribute__((vector_size(32)));
  double worst = 0.0, worst_log = 0.0;
  const auto check = [&](const Floats& x) {
    const Floats power = vectors::exp_single<Floats, Words>(x),
                 back = vectors::log_single<Floats, Words>(power);
    for (std::size_t i = 0; i < 8; ++i) {
      const double exact = std::exp(static_cast<double>(x[i])), log = std::log(static_cast<double>(power[i]));
      worst = std::max(worst, std::abs(power[i] - exact) / exact);
      worst_log = std::max(worst_log, std::abs(back[i] - log) / (1.0 + std::abs(log)));
    }
  };
  for (float x = -87.0f; x <= 0.0f; x += 0.0013f)
    check(Floats{} + x + Floats{0, 1, 2, 3, 4, 5, 6, 7} * 1e-4f);
  CHECK(worst < 2e-7);  // the stated bounds: a rounding is 6e-8
  CHECK(worst_log < 2e-7);
  Floats far = vectors::exp_single<Floats, Words>(Floats{} - 1e30f);
  CHECK(far[0] == doctest::Approx(std::exp(-87.0)).epsilon(1e-6));
  // Sums of exponentials beside their largest: 1 to 64.
  for (float u = 1.0f; u < 64.0f; u += 0.0007f) {
    const Floats log = vectors::log_single<Floats, Words>(Floats{} + u);
    worst_log = std::max(worst_log, std::abs(log[0] - std::log(static_cast<double>(u))) / (1.0 + log[0]));
  }
  CHECK(worst_log < 2e-7);
}
