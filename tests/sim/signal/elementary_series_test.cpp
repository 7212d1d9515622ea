#include "sim/signal/elementary_series.h"

#include <doctest/doctest.h>

#include <algorithm>
#include <cmath>
#include <cstdint>

using namespace cohlink;

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
  const float least = far[0];  // clang binds no reference to a part of a vector
  CHECK(least == doctest::Approx(std::exp(-87.0)).epsilon(1e-6));
  // Sums of exponentials beside their largest: 1 to 64.
  for (float u = 1.0f; u < 64.0f; u += 0.0007f) {
    const Floats log = vectors::log_single<Floats, Words>(Floats{} + u);
    worst_log = std::max(worst_log, std::abs(log[0] - std::log(static_cast<double>(u))) / (1.0 + log[0]));
  }
  CHECK(worst_log < 2e-7);
}
