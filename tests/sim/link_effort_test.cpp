// What a frame takes, told before any work.
#include "sim/link_effort.h"

#include <doctest/doctest.h>

#include <initializer_list>

#include "sim/link.h"
#include "sim/signal/scenario/errors.h"

using namespace cohlink;

TEST_CASE(
    "a frame's samples and split steps are told as its keys have them, and memory grows with the samples") {
  const auto with = [](std::initializer_list<const char*> settings) {
    Scenario scenario;
    for (const char* setting :
         {"signal.symbols=4096", "run.samples_per_symbol=4", "fibre.spans=3", "fibre.steps_per_span=7"})
      scenario.set(setting);
    for (const char* setting : settings) scenario.set(setting);
    return link_effort(scenario);
  };
  const LinkEffort one = with({});
  CHECK(one.samples == 4096 * 4);
  CHECK(one.split_steps == 3 * 7);
  CHECK(one.adaptive_stretches == 0);
  // but for the Jones matrices of a polarisation at rest, 33 of 64 bytes
  CHECK(with({"signal.symbols=8192"}).bytes == doctest::Approx(2.0 * one.bytes).epsilon(2e-3));
  CHECK(with({"fibre.spans=0"}).split_steps == 0);
}

TEST_CASE("a polarisation that turns for long makes more Jones matrices than is told of, or is refused") {
  Scenario scenario;
  for (const char* setting : {"signal.symbols=1048576", "channel.polarisation_wander_krad_per_s=1000"})
    scenario.set(setting);
  // Chords of a walk: its steps of 0.1 rad rms about each axis, so 100 a radian squared of 1e6 /s, lie below
  // 0.5 rad, which straight lines cut in parts of sqrt(8e-3) x 2 = 0.18 rad: one to four matrices a step.
  const double duration = 1048576.0 / 32e9, steps = 100.0 * 1e6 * duration,
               matrices = (link_effort(scenario).bytes - 4.5 * 32.0 * link_effort(scenario).samples) / 64.0;
  CHECK(matrices > 33.0 * steps);
  CHECK(matrices < 33.0 * 5.0 * steps);
  scenario.set("signal.symbols=16777216");
  scenario.set("channel.polarisation_wander_krad_per_s=10000");
  FftCache fft(FftPlanning::kEstimate);
  CHECK_THROWS_WITH_AS(Link(scenario, fft), doctest::Contains("Jones matrices, 1 at most"), InputError);
}
