// Spec sheets: how they are read, what they say when wrong, and how a line is judged.
#include "tools/study/spec_sheet.h"

#include <doctest/doctest.h>

#include <cmath>

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

SpecOutcome check(const std::string& text) {
  Scenario scenario;
  scenario.read_text("[channel]\nosnr_db = 13\n[run]\nframes = 20\n" + text, "x.ini");
  return check_spec_line(scenario, read_spec_sheet(scenario).front(), expected_errors, 1);
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
        "x.ini:2: require.a.measure: 'bear' is not one of ber, q_db, snr_db, evm_percent, required_osnr_db, "
        "penalty_db, limit");
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
  const SpecOutcome good = check("[require.a]\nmeasure = ber\nat_most = 2e-2\n");
  CHECK(good.verdict == "pass");
  CHECK(
      good.margin ==
      doctest::Approx(13.0 - to_db(32.0 / 12.5) - to_db(theory_snr(Modulation::kQpsk, 2e-2))).epsilon(0.02));
  const SpecOutcome bad = check("[require.a]\nset = channel.dgd_ps=60\nmeasure = ber\nat_most = 2e-2\n");
  CHECK(bad.verdict == "fail");
  CHECK(bad.margin < 0.0);
  CHECK(bad.at == "channel.dgd_ps=60");
  const double edge = theory_ber(Modulation::kQpsk, from_db(13.0 - to_db(32.0 / 12.5)));
  const SpecOutcome open = check("[require.a]\nmeasure = ber\nat_most = " + std::to_string(edge) + "\n");
  CHECK(open.verdict == "undecided");
  CHECK(open.frames == 20);
}

TEST_CASE("of swept values the worst counts") {
  const SpecOutcome out =
      check("[require.a]\nvary = channel.dgd_ps=0:10:40\nmeasure = snr_db\nat_least = 5\n");
  CHECK(out.at == "channel.dgd_ps=40");
  CHECK(out.value == doctest::Approx(13.0 - to_db(32.0 / 12.5) - 4.0));
  CHECK(out.verdict == "fail");
}

TEST_CASE("a penalty is against the scenario as it stands, a limit in the unit of its key") {
  const SpecOutcome penalty =
      check("[require.a]\nset = channel.dgd_ps=10\nmeasure = penalty_db\nat_most = 1.5\n");
  CHECK(penalty.value == doctest::Approx(1.0).epsilon(0.03));
  CHECK(penalty.verdict == "pass");
  const SpecOutcome limit =
      check("[require.a]\nvary = channel.dgd_ps=0:100\nmeasure = limit\nat_least = 20\n");
  const double crossing = 10.0 * (13.0 - to_db(32.0 / 12.5) - to_db(theory_snr(Modulation::kQpsk, 2e-2)));
  CHECK(std::abs(limit.value - crossing) < 2.0);
  CHECK(limit.margin_unit == "ps");
  CHECK(limit.verdict == "pass");
}
