#include "rx/quality/tap_reading.h"

#include <doctest/doctest.h>

#include <cmath>

#include "sim/signal/units.h"
#include "tests/rx/generator.h"

using namespace cohlink;

namespace {

// Taps (half a symbol apart) whose response is W(f) over the whole band, by an inverse transform.
template <class Response>
EqualiserTaps taps_of(const Response& response, int taps) {
  EqualiserTaps out;
  for (auto& row : out)
    for (auto& filter : row) filter.assign(static_cast<std::size_t>(taps), 0.0f);
  for (int k = 0; k < taps; ++k) {
    const double f = (k - taps / 2) * 2.0 * test::kRate / taps;
    const Jones w = response(f);
    for (std::size_t i = 0; i < 2; ++i)
      for (std::size_t j = 0; j < 2; ++j)
        for (int n = 0; n < taps; ++n)
          out[i][j][static_cast<std::size_t>(n)] += std::complex<float>(
              w[i][j] * std::polar(1.0 / taps, -kTwoPi * f * (n - taps / 2) / (2.0 * test::kRate)));
  }
  return out;
}

Jones product(const Jones& a, const Jones& b) {
  Jones c;
  for (std::size_t i = 0; i < 2; ++i)
    for (std::size_t j = 0; j < 2; ++j) c[i][j] = a[i][0] * b[0][j] + a[i][1] * b[1][j];
  return c;
}

}  // namespace

TEST_CASE("Taps that undo a known path give its DGD, PDL and dispersion back") {
  const double dgd = 23e-12, pdl_db = 1.7, ps_per_nm = 35.0,
               beta2_length = accumulated_to_beta2_length(ps_per_nm);
  const Jones before = test::rotation(0.7, 0.4), between = test::rotation(0.3, 1.9),
              after = test::rotation(-0.5, 1.1);
  const auto inverse_path = [&](double f) {
    const double w = kTwoPi * f;
    const auto chirp = std::polar(1.0, -0.5 * beta2_length * w * w);
    const Jones delay = {
        {{chirp * std::polar(1.0, 0.5 * dgd * w), 0}, {0, chirp * std::polar(1.0, -0.5 * dgd * w)}}};
    const Jones loss = {{{1, 0}, {0, std::pow(10.0, pdl_db / 20.0)}}};
    return product(after, product(loss, product(between, product(delay, before))));
  };
  const auto reading = read_taps(taps_of(inverse_path, 255), {});
  REQUIRE(reading);
  // 255 taps hold the band in 0.5 GHz steps; what the ends of the band, off by the step at +-rate, leak into
  // the middle decides the third digit.
  CHECK(reading->dgd == doctest::Approx(dgd).epsilon(0.01));
  CHECK(to_db(reading->pdl) == doctest::Approx(1.7).epsilon(0.01));
  CHECK(beta2_length_to_accumulated(reading->beta2_length) == doctest::Approx(35.0).epsilon(0.02));
}

TEST_CASE("A whole symbol between the outputs is no DGD once it is known") {
  EqualiserTaps taps;
  for (auto& row : taps)
    for (auto& filter : row) filter.assign(15, 0.0f);
  taps[0][0][7] = taps[1][1][5] = 1.0f;  // output Y shows what came a symbol before: one symbol late
  CHECK(read_taps(taps, {})->dgd == doctest::Approx(1.0 / test::kRate).epsilon(1e-6));
  CHECK(std::abs(read_taps(taps, {}, 1)->dgd) < 1e-15);
  CHECK(std::abs(read_taps_blindly(taps, {})->dgd) < 1e-15);
  CHECK(to_db(read_taps(taps, {})->pdl) < 1e-3);
  for (auto& row : taps)
    for (auto& filter : row) filter.assign(15, 0.0f);
  CHECK(!read_taps(taps, {}));
}
