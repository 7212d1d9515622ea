// Outage: draws, distribution and the worst case.
#include "tools/study/outage.h"

#include <doctest/doctest.h>

#include <cmath>

#include "sim/signal/units.h"

using namespace cohlink;

namespace {

// SNR 10 dB less 1 dB per 10 ps of DGD, without noise of its own.
FrameSource falling_snr(const Scenario& scenario) {
  const double snr_db = 10.0 - scenario.number("channel.dgd_ps") / 10.0;
  FrameResult result;
  result.count = {
      static_cast<std::uint64_t>(std::llround(1e5 * theory_ber(Modulation::kQpsk, from_db(snr_db)))),
      100'000};
  result.symbols = 50'000;
  result.noise_sum = result.symbols * from_db(-snr_db);
  return [result](std::uint64_t) { return result; };
}

}  // namespace

TEST_CASE("Maxwellian draws have their mean, and 4.2e-5 of them exceed three times it") {
  const Draw draw = parse_draw("channel.dgd_ps=maxwell:10");
  double sum = 0.0, squares = 0.0;
  const std::uint64_t count = 20'000;
  for (std::uint64_t i = 0; i < count; ++i) {
    const double x = drawn_value(draw, 7, i);
    sum += x, squares += x * x;
  }
  const double mean = sum / static_cast<double>(count);
  const double deviation = std::sqrt(squares / static_cast<double>(count) - mean * mean);
  // Standard error of the mean 0.03; std/mean = 0.4220 (Foschini and Poole, JLT 9(11) 1439, 1991).
  CHECK(std::abs(mean - 10.0) < 0.12);
  CHECK(std::abs(deviation / mean - 0.4220) < 0.01);
}

TEST_CASE("outage probability is that of the draw, and the worst case can be repeated") {
  Scenario scenario;
  scenario.set("run.seed=11");
  const std::vector<Draw> draws = {parse_draw("channel.dgd_ps=uniform:0:100")};
  const Criterion criterion{Criterion::Kind::kSnrPenalty, 6.0};
  const Outage outage = find_outage(scenario, 400, draws, criterion, falling_snr, 2);
  // Penalty above 6 dB: DGD above 60 ps, 40 % of the draws.
  CHECK(outage.probability.low < 0.4);
  CHECK(outage.probability.high > 0.4);
  CHECK(Outage::quantile({1.0, 2.0, 3.0}, 0.5) == 2.0);
  const Realisation& worst = outage.realisations[outage.worst];
  for (const Realisation& r : outage.realisations) CHECK(worst.snr_db <= r.snr_db);
  const Scenario again = realisation_scenario(scenario, draws, worst.number);
  CHECK(again.number("channel.dgd_ps") == worst.values[0]);
  CHECK(falling_snr(again)(worst.number).snr_db() == worst.snr_db);
}

TEST_CASE("a draw that cannot be understood is said") {
  CHECK_THROWS_WITH_AS(parse_draw("channel.dgd_ps=gamma:1"),
                       "--draw channel.dgd_ps=gamma:1: 'gamma' is not one of uniform, log, normal, "
                       "maxwell, choice",
                       InputError);
  CHECK_THROWS_WITH_AS(parse_draw("channel.dgd=maxwell:1"),
                       "--draw channel.dgd: unknown key; did you mean channel.dgd_ps?", InputError);
  CHECK_THROWS_WITH_AS(parse_draw("channel.dgd_ps=normal:1"),
                       "--draw channel.dgd_ps=normal:1: a number is missing or misspelt", InputError);
}
