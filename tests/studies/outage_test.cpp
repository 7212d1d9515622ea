// Outage: draws, distribution and the worst case.
#include "tools/study/search/outage.h"

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
  const Outage outage = find_outage({scenario, draws, criterion}, 400, falling_snr, 2);
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

TEST_CASE("the worst realisation is the worst by the criterion asked for") {
  // Frame 3 has the most errors, frame 5 the lowest SNR, frame 8, in the longer run alone, no lock.
  const SourceMaker source = [](const Scenario&) -> FrameSource {
    return [](std::uint64_t frame) {
      FrameResult result;
      result.count = {frame == 3 ? 900u : 100u, 100'000};
      result.symbols = 50'000;
      result.noise_sum = result.symbols * from_db(frame == 5 ? -8.0 : -10.0);
      result.unlocked = frame == 8;
      return result;
    };
  };
  const auto worst = [&](Criterion::Kind kind, double bound, std::uint64_t count) {
    return find_outage({{}, {}, {kind, bound}}, count, source, 1).worst;
  };
  CHECK(worst(Criterion::Kind::kBer, 2e-2, 8) == 3);
  CHECK(worst(Criterion::Kind::kSnr, 6.0, 8) == 5);
  CHECK(worst(Criterion::Kind::kSnrPenalty, 3.0, 8) == 5);
  CHECK(worst(Criterion::Kind::kBer, 2e-2, 12) == 8);
}

TEST_CASE("frames too short for a BER bound are told, with the length that is needed") {
  // A BER of 6.8e-5: every second frame of 7,400 bits holds an error. All of them are outages at 1e-5, half
  // are counted.
  const SourceMaker source = [](const Scenario&) -> FrameSource {
    return [](std::uint64_t frame) {
      FrameResult result;
      result.count = {frame % 2, 7400};
      result.symbols = 3700;
      result.noise_sum = result.symbols * from_db(-10.0);
      return result;
    };
  };
  Scenario scenario;
  scenario.set("signal.symbols=2048");
  const Outage outage = find_outage({scenario, {}, {Criterion::Kind::kBer, 1e-5}}, 60, source, 1);
  CHECK(outage.outages == 30);
  CHECK(outage.expected_errors == doctest::Approx(0.074));
  // 10 errors at 1e-5 are a million bits: 277 thousand symbols of such frames.
  CHECK(outage.remark.find("the 7,400 bits of one hold 0.074 errors") != std::string::npos);
  CHECK(outage.remark.find("signal.symbols must be about 277,504") != std::string::npos);
  CHECK(find_outage({scenario, {}, {Criterion::Kind::kBer, 2e-3}}, 60, source, 1).remark.empty());
  CHECK(find_outage({scenario, {}, {Criterion::Kind::kSnr, 9.0}}, 60, source, 1).remark.empty());
}

TEST_CASE("of the receiver's warnings the commonest is told, numbers aside") {
  const SourceMaker source = [](const Scenario&) -> FrameSource {
    return [](std::uint64_t frame) {
      FrameResult result;
      result.count = {100, 100'000};
      result.symbols = 50'000;
      result.noise_sum = result.symbols * from_db(-10.0);
      if (frame == 0) result.first_warning = "no clock tone";
      if (frame > 0 && frame < 4) result.first_warning = std::to_string(frame) + " cycle slips";
      return result;
    };
  };
  const Outage outage = find_outage({{}, {}, {Criterion::Kind::kBer, 2e-2}}, 10, source, 1);
  CHECK(outage.warned == 4);
  CHECK(outage.common_count == 3);
  CHECK(outage.common_warning == "1 cycle slips");
}

TEST_CASE("a draw that cannot be understood is said") {
  CHECK_THROWS_WITH_AS(parse_draw("channel.dgd_ps=gamma:1"),
                       "channel.dgd_ps=gamma:1: 'gamma' is not one of uniform, log, normal, "
                       "maxwell, choice",
                       InputError);
  CHECK_THROWS_WITH_AS(parse_draw("channel.dgd=maxwell:1"),
                       "channel.dgd: unknown key; did you mean channel.dgd_ps?", InputError);
  CHECK_THROWS_WITH_AS(parse_draw("channel.dgd_ps=normal:1"),
                       "channel.dgd_ps=normal:1: a number is missing or misspelt", InputError);
}
