// Backward Raman pumping as a noise figure, against a chain of small lumped amplifiers.
#include "sim/signal/line/raman_pump.h"

#include <doctest/doctest.h>

#include <cmath>

#include "sim/signal/line/read_line.h"
#include "sim/signal/units.h"
#include "tests/settings.h"

using namespace cohlink;

namespace {

/// Noise factor, referred to the fibre's end without pump, of 4,000 slices: each loses its share and is
/// amplified by its own, with n_sp (G - 1) photons a hertz and polarisation (Desurvire, Erbium-Doped Fiber
/// Amplifiers, ch. 2). The midpoint rule errs by the square of a slice's gain, 1e-6.
double of_slices(const Span& span, double gain) {
  constexpr int kSlices = 4000;
  const double dz = span.length / kSlices, pump_loss = db_per_km_to_per_m(0.25);
  double sum = 0.0, photons = 0.0;
  const auto pump = [&](int i) { return std::exp(-pump_loss * (span.length - (i + 0.5) * dz)); };
  for (int i = 0; i < kSlices; ++i) sum += pump(i);
  for (int i = 0; i < kSlices; ++i) {
    const double amplified = std::pow(gain, pump(i) / sum);
    photons = photons * amplified * std::exp(-span.loss * dz) + 1.14 * (amplified - 1.0);
  }
  return (2.0 * photons + 1.0) / gain;
}

}  // namespace

TEST_CASE("a backward Raman pump has the noise of many small amplifiers along the fibre") {
  for (const double km : {40.0, 80.0, 120.0})
    for (const double gain_db : {3.0, 8.0, 15.0}) {
      Span span;
      span.length = km * 1e3;
      CAPTURE(km);
      CAPTURE(gain_db);
      if (from_db(gain_db) > span.total_loss()) continue;
      CHECK(backward_raman_noise_factor(span, from_db(gain_db)) ==
            doctest::Approx(of_slices(span, from_db(gain_db))).epsilon(1e-3));
    }
  Span span;
  CHECK(backward_raman_noise_factor(span, 1.0) == doctest::Approx(1.0));
  // About -1 dB at 15 dB of gain over a span of 80 km or more (from memory).
  CHECK(to_db(backward_raman_noise_factor(span, from_db(15.0))) < -0.5);
}

TEST_CASE("pump and amplifier together add the noise of both") {
  LineSection section;
  section.lumped_loss = from_db(1.5);
  const double gain = from_db(10.0), all = section.total_loss();
  const double of_pump = (backward_raman_noise_factor(section.span, gain) * gain - 1.0) / 2.0;
  const double amplifier = all / gain;
  const double both =
      of_pump / section.lumped_loss * amplifier + (section.amplifier.noise_factor * amplifier - 1.0) / 2.0;
  CHECK((hybrid_noise_factor(section, gain) * all - 1.0) / 2.0 == doctest::Approx(both).epsilon(1e-12));
  const auto factor = [](const char* setting) {
    return read_line(test::scenario_with({"fibre.spans=1", setting})).sections[0].amplifier.noise_factor;
  };
  CHECK(factor("amplifier.raman_gain_db=0") == from_db(5.0));
  CHECK(factor("amplifier.raman_gain_db=10") < from_db(1.0));
  CHECK_THROWS_AS(factor("amplifier.raman_gain_db=16.5"), InputError);
}
