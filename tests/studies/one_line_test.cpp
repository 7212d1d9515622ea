// The same light written two ways gives the same numbers, to the last digit, wherever a line is read.
#include <doctest/doctest.h>

#include <string>
#include <vector>

#include "rx/receiver.h"
#include "sim/link.h"
#include "sim/step_check.h"
#include "tests/ffts.h"
#include "tools/study/budget.h"
#include "tools/study/plan/theory.h"

using namespace cohlink;
using test::ffts;

namespace {

using Keys = std::vector<std::string>;

Scenario scenario_of(const Keys& common, const Keys& assignments) {
  Scenario scenario;
  for (const Keys& keys : {common, assignments})
    for (const std::string& assignment : keys) scenario.set(assignment);
  return scenario;
}

void check_same_reception(Scenario one, Scenario other, const Capture& capture, const std::string& chain) {
  CAPTURE(chain);
  for (Scenario* s : {&one, &other}) s->set("dsp.chain=" + chain);
  const ReceiverResult a = Receiver(one, ffts())(capture), b = Receiver(other, ffts())(capture);
  CHECK(a.compensated_beta2_length == b.compensated_beta2_length);
  CHECK(a.symbols.x == b.symbols.x);
  CHECK(a.symbols.y == b.symbols.y);
  CHECK(a.snr_db == b.snr_db);
}

void check_same_budget(const Budget& a, const Budget& b) {
  CHECK(a.launch_power == b.launch_power);
  CHECK(a.peak_power == b.peak_power);
  CHECK(a.snr == b.snr);
  CHECK(a.osnr == b.osnr);
  CHECK(a.optimum_launch_power == b.optimum_launch_power);
  CHECK(a.optimum_output_power == b.optimum_output_power);
}

}  // namespace

TEST_CASE("the same light written two ways gives the same to the last digit in link, receiver and budget") {
  struct Pair {
    const char* claim;
    Keys one, other;
  };
  const Pair pairs[] = {
      {"launch power, or an offset on it, behind a launch amplifier",
       {"fibre.spans=2", "transmitter.launch_power_dbm=6", "transmitter.launch_amplifier_noise_figure_db=5"},
       {"fibre.spans=2", "channel.power_offsets_db=6", "transmitter.launch_amplifier_noise_figure_db=5"}},
      {"equal spans, or a list of them, amplifiers of fixed output",
       {"fibre.spans=2", "fibre.span_length_km=75", "amplifier.output_power_dbm=3",
        "fibre.compensation_ps_per_nm=-500"},
       {"fibre.span_lengths_km=75,75", "amplifier.output_power_dbm=3", "fibre.compensation_ps_per_nm=-500"}},
      {"unequal channels, the middle one under test",
       {"fibre.spans=1", "channel.count=3", "channel.power_offsets_db=5,2,2", "amplifier.output_power_dbm=6",
        "run.precision=single"},
       {"fibre.spans=1", "channel.count=3", "channel.power_offsets_db=4,1,1", "channel.under_test=2",
        "transmitter.launch_power_dbm=1", "amplifier.output_power_dbm=6", "run.precision=single"}},
  };
  const Keys common = {"signal.symbols=4096", "signal.modulation=16qam"};
  for (const Pair& pair : pairs) {
    CAPTURE(pair.claim);
    const Scenario one = scenario_of(common, pair.one), other = scenario_of(common, pair.other);
    const Link link(one, ffts()), another(other, ffts());
    const Capture capture = link(0);
    CHECK(capture.lanes == another(0).lanes);
    CHECK(capture.ampere_per_code == another(0).ampere_per_code);
    CHECK(link.peak_fibre_power() == another.peak_fibre_power());
    for (const std::string& line : {std::string("dispersion"), std::string("back-propagation")})
      check_same_reception(one, other, capture,
                           "resample," + line + ",clock,matched-filter,equaliser,frequency,phase");
    check_same_budget(make_budget(one), make_budget(other));
    CHECK(theory_ber(one) == theory_ber(other));
  }
}
