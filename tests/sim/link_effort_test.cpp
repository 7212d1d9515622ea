// What a frame takes, told before any work.
#include "sim/link_effort.h"

#include <doctest/doctest.h>

#include <initializer_list>

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
  CHECK(with({"signal.symbols=8192"}).bytes == doctest::Approx(2.0 * one.bytes));
  CHECK(with({"fibre.spans=0"}).split_steps == 0);
}
