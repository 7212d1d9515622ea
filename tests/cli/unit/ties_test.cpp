// Keys that move together, as studies meet them.
#include <doctest/doctest.h>

#include <algorithm>

#include "tools/study/plan/impairments.h"
#include "tools/study/plan/plan.h"
#include "tools/study/plan/ties.h"
#include "tools/study/run/reuse.h"

using namespace cohlink;

namespace {

Scenario both_converters() {
  Scenario scenario;
  scenario.set("adc.bits=6");
  scenario.set("tie.transmitter.dac_bits=adc.bits");
  return scenario;
}

}  // namespace

TEST_CASE("arguments that name a key on the right are ties, others stay") {
  Scenario scenario;
  scenario.set("transmitter.laser_linewidth_khz=100");
  const auto others = take_ties(
      scenario,
      {"transmitter.laser_linewidth_khz=0:50:200,laser_lo.linewidth_khz=2*transmitter.laser_linewidth_khz",
       "signal.pattern_file=data.txt", "dsp.chain=resample,equaliser|resample"},
      "--vary");
  CHECK(others == std::vector<std::string>{"transmitter.laser_linewidth_khz=0:50:200",
                                           "signal.pattern_file=data.txt",
                                           "dsp.chain=resample,equaliser|resample"});
  CHECK(scenario.number("laser_lo.linewidth_khz") == 200.0);
}

TEST_CASE("points of a sweep are alike only up to the first stage that a follower acts in") {
  const SweepPlan alone = make_plan(Scenario(), parse_vary({"adc.bits=5|6"}), false);
  const auto transmitter = static_cast<std::size_t>(BenchStage::kTransmitter);
  CHECK(alone.points[1].equal[transmitter] == 0);
  const SweepPlan tied = make_plan(both_converters(), parse_vary({"adc.bits=5|6"}), false);
  CHECK(tied.points[1].equal[transmitter] == 1);
  CHECK(tied.points[0].scenario.integer("transmitter.dac_bits") == 5);
  CHECK(first_stage(both_converters(), "adc.bits") == BenchStage::kTransmitter);
  // What the search keeps is what stands before that stage: nothing.
  const auto kept = search_reuse_rule(both_converters(), {"adc.bits"}).cuts;
  CHECK(std::none_of(kept.begin(), kept.end(), [](bool cut) { return cut; }));
}

TEST_CASE("an impairment that follows another is asked about with it") {
  const auto has = [](const std::vector<ScenarioImpairment>& all, const std::string& key) {
    return std::any_of(all.begin(), all.end(), [&](const ScenarioImpairment& i) { return i.name() == key; });
  };
  const auto found = impairments_of(both_converters(), true);
  CHECK(has(found, "adc.bits"));
  CHECK_FALSE(has(found, "transmitter.dac_bits"));
}

TEST_CASE("a tie that says nothing is told, but not where what it follows is varied") {
  Scenario scenario;
  scenario.set("tie.frontend.bandwidth_ghz=transmitter.dac_bandwidth_ghz");
  CHECK(idle_ties(scenario, {}) ==
        std::vector<std::string>{"frontend.bandwidth_ghz stays absent, as a key of "
                                 "'transmitter.dac_bandwidth_ghz' is, which it follows"});
  CHECK(idle_ties(scenario, {"transmitter.dac_bandwidth_ghz"}).empty());
}
