// The closed form of the Gaussian-noise model against the integral, and where its arguments vanish.
#include "sim/budget/gn_closed_form.h"

#include <doctest/doctest.h>

#include <cmath>

#include "sim/budget/gn_integral.h"
#include "tests/sim/budget/gn_cases.h"

using namespace cohlink;
using namespace cohlink::test;

TEST_CASE("the asinh form and the integral at band centre agree to half a decibel from 1 to 40 spans") {
  const GnLight light = {channel(0.05)};
  GnIntegral integral(light);
  for (const std::size_t count : {1, 2, 5, 10, 20, 40}) {
    const GnLine line = standard_spans(count);
    CAPTURE(count);
    CHECK(std::abs(db_between(gn_closed_form(line, light, Accumulation::kCoherent), integral(line).centre)) <
          0.5);
  }
}

TEST_CASE("the closed form keeps its shape where its arguments vanish") {
  const GnLight light = {channel(0.05)};
  auto line = standard_spans(3);
  for (auto& span : line) span.beta2 = 0.0;
  const double none = gn_closed_form(line, light, Accumulation::kCoherent);
  for (auto& span : line) span.beta2 = -1e-33;
  const double little = gn_closed_form(line, light, Accumulation::kCoherent);
  CHECK(none == doctest::Approx(little).epsilon(1e-3));
  // Without dispersion all spans add in phase: N^2.
  const double one = gn_closed_form({line[0]}, light, Accumulation::kCoherent);
  CHECK(none == doctest::Approx(9.0 * one).epsilon(1e-3));
  // Without loss as well, power stays up all the way: more interference, and still a number.
  for (auto& span : line) span.loss = 0.0;
  CHECK(gn_closed_form(line, light, Accumulation::kCoherent) > none);
  CHECK(gn_closed_form({}, light, Accumulation::kCoherent) == 0.0);
}

TEST_CASE("the closed form for a lossless span agrees with the integral at band centre to half a decibel") {
  const GnLight light = {channel(0.05)};
  GnSection lossless = standard_span();
  lossless.loss = 0.0;
  const GnLine line = {lossless};
  const double closed = gn_closed_form(line, light, Accumulation::kIncoherent);
  // As near as the form comes with loss; both are finite and above the span with loss.
  CHECK(std::abs(db_between(closed, GnIntegral(light)(line).centre)) < 0.5);
  CHECK(closed > gn_closed_form(standard_spans(1), light, Accumulation::kIncoherent));
}

TEST_CASE("the closed form is for combs of equals and says so of others") {
  const GnLine line = standard_spans(2);
  GnLight light = equal_comb(channel(0.1), 4, 50e9);
  CHECK(std::isfinite(gn_closed_form(line, light, Accumulation::kIncoherent)));
  light[1].power = 2.0;
  CHECK(std::isnan(gn_closed_form(line, light, Accumulation::kIncoherent)));
  light[1].power = 1.0;
  light[1].frequency *= 1.1;
  CHECK(std::isnan(gn_closed_form(line, light, Accumulation::kIncoherent)));
}
