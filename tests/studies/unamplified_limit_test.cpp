// Reach of an unamplified line against sensitivity.
#include <doctest/doctest.h>

#include <boost/random/binomial_distribution.hpp>
#include <boost/random/mersenne_twister.hpp>
#include <cmath>

#include "sim/signal/constellation.h"
#include "sim/signal/random.h"
#include "sim/signal/units.h"
#include "tools/study/budget.h"
#include "tools/study/search/limit.h"

using namespace cohlink;

namespace {

// Errors by the binomial law at the budget's SNR: no waveform. A hundred million bits a frame leave 0.001 dB.
FrameSource budget_source(const Scenario& scenario) {
  constexpr std::int64_t kBits = 100'000'000;
  const double ber = make_budget(scenario).ber.value();
  return [=](std::uint64_t frame) {
    boost::random::mt19937_64 engine(RandomStreams(1, frame).stream("model").bits());
    boost::random::binomial_distribution<std::int64_t> errors(kBits, ber);
    FrameResult result;
    result.count = {static_cast<std::uint64_t>(errors(engine)), static_cast<std::uint64_t>(kBits)};
    result.symbols = static_cast<double>(kBits) / 2.0;
    return result;
  };
}

double limit_of(const Scenario& scenario, const std::string& key, double from, double to) {
  LimitRule rule;
  rule.key = key;
  rule.from = from, rule.to = to;
  rule.resolution = 5e-4;
  const Limit limit = find_limit(scenario, rule, budget_source, 1);
  REQUIRE(limit.crossed());
  return limit.value;
}

}  // namespace

TEST_CASE("unamplified reach is launch power less sensitivity over the loss, within 0.05 dB") {
  Scenario scenario;
  for (const char* assignment : {"transmitter.launch_power_dbm=1", "frontend.shot_noise=true",
                                 "frontend.thermal_noise_pa_per_sqrt_hz=20", "frontend.hybrid_loss_db=4",
                                 "fibre.nonlinear_coefficient_per_w_km=0", "fibre.final_amplifier=false",
                                 "fibre.span_length_km=1000", "fibre.lumped_loss_db=1.5"})
    scenario.set(assignment);
  const double sensitivity = limit_of(scenario, "frontend.received_power_dbm", -60.0, 0.0);
  const double reach = limit_of(scenario, "fibre.length_km", 10.0, 400.0);
  CHECK(std::abs(1.0 - 1.5 - 0.2 * reach - sensitivity) < 0.05);
}
