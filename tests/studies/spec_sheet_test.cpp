// Spec sheets: how they are read, what they say when wrong, and how a requirement is judged.
#include "tools/study/search/spec_sheet.h"

#include <doctest/doctest.h>

#include <cmath>

#include "sim/signal/awgn_information.h"
#include "sim/signal/units.h"

using namespace cohlink;

namespace {

// The frame's errors are the nearest whole number to what theory expects at this OSNR less the DGD's toll of
// 1 dB per 10 ps.
FrameSource expected_errors(const Scenario& scenario) {
  const double snr_db =
      scenario.number("channel.osnr_db") - to_db(32.0 / 12.5) - scenario.number("channel.dgd_ps") / 10.0;
  FrameResult result;
  result.count.bits = 100'000;
  result.count.errors =
      static_cast<std::uint64_t>(std::llround(1e5 * theory_ber(Modulation::kQpsk, from_db(snr_db))));
  result.symbols = 50'000;
  result.noise_sum = result.symbols * from_db(-snr_db);
  result.ngmi = awgn_ngmi(constellation(Modulation::kQpsk), from_db(snr_db));
  result.ngmi_variance = 1e-6;
  result.post_fec = {100, snr_db > 8.0 ? 0u : 50u, 90'000, snr_db > 8.0 ? 0u : 900u, 0, {}};
  return [result](std::uint64_t) { return result; };
}

std::string message_of(const std::string& text) {
  try {
    Scenario scenario;
    scenario.read_text(text, "x.ini");
    read_spec_sheet(scenario);
  } catch (const InputError& error) {
    return error.what();
  }
  return "";
}

RequirementOutcome check(const std::string& text) {
  Scenario scenario;
  scenario.read_text("[channel]\nosnr_db = 13\n[run]\nframes = 20\n" + text, "x.ini");
  return check_requirement(scenario, read_spec_sheet(scenario).front(), expected_errors, 1);
}

}  // namespace

TEST_CASE("required OSNR goes by either of its names") {
  for (const std::string name : {"required_osnr", "required_osnr_db"}) {
    Scenario scenario;
    scenario.read_text("[require.a]\nmeasure = " + name + "\nat_most = 12\n", "x.ini");
    CHECK(read_spec_sheet(scenario).front().measure == Measure::kRequiredOsnr);
    CHECK(read_spec_sheet(scenario).front().measure_name == "required_osnr_db");
  }
}

TEST_CASE("what is wrong with a requirement is said with file and line") {
  CHECK(message_of("") == "the scenario asks nothing: a spec sheet needs [require.NAME] sections");
  CHECK(message_of("[require.a]\nmeasure = ber\n") ==
        "x.ini:2: require.a: needs a bound, either at_most or at_least");
  CHECK(message_of("[require.a]\nat_most = 1\n") ==
        "x.ini:2: require.a: nothing is measured; add measure = ber");
  CHECK(message_of("[require.a]\nmeasure = bear\nat_most = 1\n") ==
        "x.ini:2: require.a.measure: 'bear' is not one of ber, post_fec_ber, ngmi, achievable_rate_gbps, "
        "q_db, snr_db, "
        "evm_percent, required_osnr_db, penalty_db, limit, outage, line_rate_gbps, net_rate_gbps");
  CHECK(message_of("[require.a]\nmeasure = snr_db\nat_most = 1\n") ==
        "x.ini:3: require.a.at_most: snr_db is the better the larger; use at_least");
  CHECK(message_of("[require.a]\nmeasure = ber\nat_most = 1e-3\nset = channel.dgd=3\n")
            .starts_with("x.ini:4: require.a.set: channel.dgd: unknown key; did you mean channel.dgd_ps?"));
  CHECK(message_of("[require.a]\nmeasure = ber\nat_most = 1e-3\nset = channel.dgd_ps=-3\n") ==
        "x.ini:4: require.a.set: channel.dgd_ps: '-3' is out of range; legal: between 0 and 1000 ps");
  CHECK(message_of("[require.a]\nmeasure = limit\nat_least = 3\n") ==
        "x.ini:2: require.a: measure = limit needs vary = KEY=a:b");
}

TEST_CASE("a requirement passes, fails or stays undecided by its interval") {
  const RequirementOutcome good = check("[require.a]\nmeasure = ber\nat_most = 2e-2\n");
  CHECK(good.verdict == "pass");
  CHECK(
      good.margin ==
      doctest::Approx(13.0 - to_db(32.0 / 12.5) - to_db(theory_snr(Modulation::kQpsk, 2e-2))).epsilon(0.02));
  const RequirementOutcome bad =
      check("[require.a]\nset = channel.dgd_ps=60\nmeasure = ber\nat_most = 2e-2\n");
  CHECK(bad.verdict == "fail");
  CHECK(bad.margin < 0.0);
  CHECK(bad.at == "channel.dgd_ps=60");
  const double edge = theory_ber(Modulation::kQpsk, from_db(13.0 - to_db(32.0 / 12.5)));
  const RequirementOutcome open =
      check("[require.a]\nmeasure = ber\nat_most = " + std::to_string(edge) + "\n");
  CHECK(open.verdict == "undecided");
  CHECK(open.frames == 20);
  CHECK(open.remark == "the interval holds the bound; more frames may decide");
}

TEST_CASE("a frame without lock fails an SNR, a Q and an EVM, however low the bound") {
  // What stands for a lost frame is a guess: half its bits wrong, SNR 0 dB, EVM 100 %.
  const SourceMaker lost = [](const Scenario&) -> FrameSource {
    FrameResult result;
    result.unlocked = 1;
    result.count = {50'000, 100'000};
    result.symbols = result.noise_sum = result.evm_sum = 50'000;
    return [result](std::uint64_t) { return result; };
  };
  for (const char* asked : {"snr_db\nat_least = -1", "q_db\nat_least = -300", "evm_percent\nat_most = 150"}) {
    CAPTURE(asked);
    Scenario scenario;
    scenario.read_text("[run]\nframes = 4\n[require.a]\nmeasure = " + std::string(asked) + "\n", "x.ini");
    const RequirementOutcome out = check_requirement(scenario, read_spec_sheet(scenario).front(), lost, 1);
    CHECK(out.verdict == "fail");
    for (const double number : {out.value, out.low, out.high, out.margin}) CHECK(std::isnan(number));
    CHECK(out.margin_unit.empty());
    CHECK(out.remark == "no lock in 1 of 1 frames");
  }
}

TEST_CASE("of swept values the worst counts") {
  const RequirementOutcome out =
      check("[require.a]\nvary = channel.dgd_ps=0:10:40\nmeasure = snr_db\nat_least = 5\n");
  CHECK(out.at == "channel.dgd_ps=40");
  CHECK(out.value == doctest::Approx(13.0 - to_db(32.0 / 12.5) - 4.0));
  CHECK(out.verdict == "fail");
}

TEST_CASE("a penalty is against the scenario as it stands, a limit in the unit of its key") {
  const RequirementOutcome penalty =
      check("[require.a]\nset = channel.dgd_ps=10\nmeasure = penalty_db\nat_most = 1.5\n");
  CHECK(penalty.value == doctest::Approx(1.0).epsilon(0.03));
  CHECK(penalty.verdict == "pass");
  const RequirementOutcome limit =
      check("[require.a]\nvary = channel.dgd_ps=0:100\nmeasure = limit\nat_least = 20\n");
  const double crossing = 10.0 * (13.0 - to_db(32.0 / 12.5) - to_db(theory_snr(Modulation::kQpsk, 2e-2)));
  CHECK(std::abs(limit.value - crossing) < 2.0);
  CHECK(limit.margin_unit == "ps");
  CHECK(limit.verdict == "pass");
}

TEST_CASE("a limit beyond the range searched passes or fails by the end of the range that it is proven to") {
  // At 20 dB the model crosses 2e-2 at 97 ps of DGD; at 13 dB at 27 ps. Spans cost it nothing.
  const std::string clear = "[require.a]\nset = channel.osnr_db=20\nmeasure = limit\n";
  const RequirementOutcome dgd = check(clear + "vary = channel.dgd_ps=0:60\nat_least = 30\n");
  CHECK(dgd.verdict == "pass");
  CHECK(dgd.low == 60.0);
  CHECK(std::isnan(dgd.value));
  CHECK(std::isnan(dgd.high));
  CHECK(dgd.margin == 30.0);
  CHECK(dgd.margin_unit == "ps or more");
  CHECK(dgd.remark == "no crossing shown: BER at most 0.02 holds at 0, holds at 30, holds at 60");
  const RequirementOutcome reach = check(clear + "vary = fibre.spans=1:20\nat_least = 10\n");
  CHECK(reach.verdict == "pass");
  CHECK(reach.margin_unit == "or more");
  const RequirementOutcome noise =
      check("[require.a]\nmeasure = limit\nvary = channel.osnr_db=20:12\nat_most = 15\n");
  CHECK(noise.verdict == "pass");
  CHECK(noise.high == 12.0);
  const RequirementOutcome short_range = check(clear + "vary = channel.dgd_ps=0:20\nat_least = 30\n");
  CHECK(short_range.verdict == "undecided");
  CHECK(short_range.remark.ends_with("the range searched ends before the bound"));

  const std::string noisy = "[require.a]\nmeasure = limit\nvary = channel.dgd_ps=40:80\n";
  const RequirementOutcome bad = check(noisy + "at_least = 50\n");
  CHECK(bad.verdict == "fail");
  CHECK(bad.margin == -10.0);
  CHECK(bad.margin_unit == "ps or less");
  CHECK(check(noisy + "at_least = 20\n").verdict == "undecided");
}

TEST_CASE("requirements of information and of what decoding leaves") {
  // 13 dB of OSNR: SNR 8.92 dB; 128 Gb/s of QPSK at 32 GBd.
  const double ngmi = awgn_ngmi(constellation(Modulation::kQpsk), from_db(13.0 - to_db(32.0 / 12.5)));
  const RequirementOutcome by_ngmi = check("[require.a]\nmeasure = ngmi\nat_least = 0.9\n");
  CHECK(by_ngmi.verdict == "pass");
  CHECK(by_ngmi.value == doctest::Approx(ngmi));
  CHECK(by_ngmi.margin_unit == "dB SNR");
  const RequirementOutcome by_rate = check("[require.a]\nmeasure = achievable_rate_gbps\nat_least = 127.5\n");
  CHECK(by_rate.verdict == "fail");
  CHECK(by_rate.value == doctest::Approx(128.0 * ngmi));
  const std::string left = "[fec]\ndecode = true\n[require.a]\nmeasure = post_fec_ber\nat_most = 1e-4\n";
  // 2,000 blocks without a loss: at most 1.84e-3 of them (exact, 95 % and more), each with the errors
  // received.
  const RequirementOutcome clear = check(left);
  CHECK(clear.verdict == "pass");
  CHECK(clear.value == 0.0);
  CHECK(clear.margin_unit == "dB Q or more");
  CHECK(check(left + "set = channel.dgd_ps=20\n").verdict == "fail");
  CHECK(message_of("[require.a]\nmeasure = post_fec_ber\nat_most = 1e-5\n") ==
        "fec.decode: 'false' must be true, which require.a.measure needs");
}

TEST_CASE("a required OSNR fails where a floor is proven, and stays undecided where errors are too few") {
  // 80 frames of 100,000 bits hold no error of the 1e-6 of the model, whose counts are whole.
  const RequirementOutcome rare = check(
      "[fec]\ncode = none\nthreshold_ber = 1e-6\n[require.a]\nmeasure = required_osnr_db\nat_most = 15\n");
  CHECK(rare.verdict == "undecided");
  CHECK(rare.remark == "too few errors near the threshold; more frames are needed");
  Scenario scenario;
  scenario.read_text("[run]\nframes = 20\n[require.a]\nmeasure = required_osnr_db\nat_most = 15\n", "x.ini");
  const SourceMaker half_wrong = [](const Scenario&) -> FrameSource {
    FrameResult result;
    result.count = {50'000, 100'000};
    return [result](std::uint64_t) { return result; };
  };
  const RequirementOutcome floor =
      check_requirement(scenario, read_spec_sheet(scenario).front(), half_wrong, 1);
  CHECK(floor.verdict == "fail");
  CHECK(floor.remark == "an error floor above the threshold");
  // Behind four spans, some 30 dB is the highest OSNR that can be set: above it nothing is proven.
  for (const auto& [bound, verdict] : {std::pair{"15", "fail"}, std::pair{"50", "undecided"}}) {
    Scenario line;
    line.read_text(std::string("[run]\nframes = 20\n[fibre]\nspans = 4\n[require.a]\n"
                               "measure = required_osnr_db\nat_most = ") +
                       bound + "\n",
                   "x.ini");
    CHECK(check_requirement(line, read_spec_sheet(line).front(), half_wrong, 1).verdict == verdict);
  }
}

TEST_CASE("a frame that locks with a warning is not taken for all") {
  Scenario scenario;
  scenario.read_text("[run]\nframes = 6\n[require.a]\nmeasure = snr_db\nat_least = 3\n", "x.ini");
  const SourceMaker locks_once = [](const Scenario&) -> FrameSource {
    return [](std::uint64_t frame) {
      FrameResult result;
      result.count = {100, 100'000};
      result.symbols = 50'000;
      result.noise_sum = 0.1 * 50'000;
      result.warned = 1;
      result.first_warning = "no clock tone found";
      result.unlocked = frame > 0;
      return result;
    };
  };
  const RequirementOutcome out =
      check_requirement(scenario, read_spec_sheet(scenario).front(), locks_once, 1);
  CHECK(out.verdict == "fail");
}
