// The best launch power on models whose optimum is known.
#include "tools/study/search/optimum.h"

#include <doctest/doctest.h>

#include <cmath>

#include "sim/signal/random.h"
#include "sim/signal/units.h"

using namespace cohlink;

namespace {

constexpr const char* kPower = "transmitter.launch_power_dbm";

// Noise a and interference b P^3 over P: Poggiolini, J. Lightwave Technol. 30(24), 3857 (2012): the SNR is
// best where a = 2 b P^3. Frames differ by 2 % in both.
SourceMaker model(double a, double b) {
  return [=](const Scenario& scenario) -> FrameSource {
    const double power = from_db(scenario.number(kPower));
    return [=](std::uint64_t frame) {
      RandomStream random = RandomStreams(3, frame).stream("model");
      const double noise = a * (1.0 + 0.02 * random.normal()),
                   interference = b * (1.0 + 0.02 * random.normal());
      FrameResult result;
      result.symbols = 1000.0;
      result.noise_sum = result.symbols * (noise / power + interference * power * power);
      return result;
    };
  };
}

double best_dbm(double a, double b) { return to_db(std::cbrt(a / (2.0 * b))); }

}  // namespace

TEST_CASE("the best launch power is where noise is twice the interference") {
  // From the scenario's power, near and far: a parabola of half a dB sees the asymmetry as at most 0.02 dB.
  for (const double b : {0.003, 0.01, 0.1, 1.0}) {
    OptimumRule rule;
    rule.key = kPower;
    const Optimum best = find_optimum(Scenario(), rule, model(0.02, b), 1);
    CHECK(std::abs(best.at.value - best_dbm(0.02, b)) < 0.5 * (best.at.high - best.at.low) + 0.02);
    CHECK(best.at.high - best.at.low < 0.5);
    const double power = from_db(best_dbm(0.02, b));
    CHECK(best.snr_db == doctest::Approx(-to_db(0.02 / power + b * power * power)).epsilon(0.01));
  }
}

TEST_CASE("no best value is an error that says where the SNR still rises") {
  OptimumRule rule;
  rule.key = kPower;
  rule.from = -10.0, rule.to = -6.0;
  CHECK_THROWS_WITH_AS(
      find_optimum(Scenario(), rule, model(0.02, 0.01), 1),
      "transmitter.launch_power_dbm: no best value between -10 and -6: the SNR still rises at -6", RunError);
  CHECK_THROWS_AS(parse_optimum("signal.modulation", Scenario(), "--optimise"), InputError);
  CHECK_THROWS_AS(parse_optimum("transmitter.launch_power_dbm=3:1", Scenario(), "--optimise"), InputError);
  CHECK_THROWS_AS(parse_optimum("transmitter.launch_power=3:1", Scenario(), "--optimise"), InputError);
  CHECK(*parse_optimum("transmitter.launch_power_dbm=-3:4", Scenario(), "--optimise").to == 4.0);
}

TEST_CASE("a source at its best gives frames of the best value") {
  OptimumRule rule;
  rule.key = kPower;
  Optimum found;
  const SourceMaker source =
      optimised(model(0.02, 0.01), rule, 1, [&](const Scenario&, const Optimum& best) { found = best; });
  Scenario far;
  far.set(kPower, "-5", {});
  const double snr = source(far)(0).snr_db();
  CHECK(snr == doctest::Approx(model(0.02, 0.01)(at_optimum(Scenario(), rule, found))(0).snr_db()));
  Table table;
  table.add("signal.symbols").cells = {1.0, 2.0};
  add_optima(table, rule, {found, std::nullopt});
  CHECK(table.columns[1].name == "optimum_launch_power_dbm");
  CHECK(table.columns[2].name == "optimum_launch_power_low_dbm");
}
