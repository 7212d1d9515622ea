// A scenario's line: the same light, however it is written, is the same description to the last digit.
#include "sim/signal/line/read_line.h"

#include <doctest/doctest.h>

#include <string>
#include <vector>

#include "sim/signal/line/line_plan.h"

using namespace cohlink;

namespace {

using Keys = std::vector<std::string>;

Line line_of(const Keys& assignments) {
  Scenario scenario;
  for (const std::string& assignment : assignments) scenario.set(assignment);
  return read_line(scenario);
}

}  // namespace

TEST_CASE("the same line written two ways is the same description to the last digit") {
  struct Pair {
    const char* claim;
    Keys one, other;
  };
  const Pair pairs[] = {
      {"launch power, or an offset on it",
       {"fibre.spans=3", "transmitter.launch_power_dbm=6"},
       {"fibre.spans=3", "channel.power_offsets_db=6"}},
      {"offsets on another launch power",
       {"channel.count=3", "channel.power_offsets_db=-2,0,1", "transmitter.launch_power_dbm=1"},
       {"channel.count=3", "channel.power_offsets_db=-1,1,2"}},
      {"equal spans, or a list of them",
       {"fibre.spans=3", "fibre.span_length_km=75", "fibre.lumped_loss_db=1.5"},
       {"fibre.span_lengths_km=75,75,75", "fibre.span_losses_db=1.5,1.5,1.5"}},
      {"a fibre type, or its constants",
       {"fibre.spans=2", "fibre.type=G.654.E"},
       {"fibre.spans=2", "fibre.attenuation_db_per_km=0.17", "fibre.dispersion_ps_per_nm_km=21",
        "fibre.dispersion_slope_ps_per_nm2_km=0.060", "fibre.nonlinear_coefficient_per_w_km=0.84"}},
      {"a fibre type for all, or for each",
       {"fibre.span_lengths_km=80,60", "fibre.type=G.655"},
       {"fibre.span_lengths_km=80,60", "fibre.span_types=G.655,G.655"}},
      {"the middle channel, or its number",
       {"channel.count=5", "fibre.spans=1"},
       {"channel.count=5", "fibre.spans=1", "channel.under_test=3"}},
      {"one format for all, or for each",
       {"channel.count=3", "signal.modulation=16qam", "signal.roll_off=0.2"},
       {"channel.count=3", "signal.modulation=16qam", "signal.roll_off=0.2",
        "channel.modulations=16qam,16qam,16qam", "channel.roll_offs=0.2,0.2,0.2"}},
  };
  for (const Pair& pair : pairs) {
    CAPTURE(pair.claim);
    CHECK(line_of(pair.one) == line_of(pair.other));
  }
}

TEST_CASE("a fixed output is shared by the channels as their powers stand to each other") {
  // Offsets of 3, 0 and -3 dB: the middle one holds 1/(1 + 10^0.3 + 10^-0.3) of the light at every place.
  const Line line = line_of({"channel.count=3", "channel.power_offsets_db=3,0,-3", "fibre.spans=2",
                             "amplifier.output_power_dbm=7"});
  const double share = 1.0 / (1.0 + from_db(3.0) + from_db(-3.0));
  const std::vector<double> powers = nominal_powers(line);
  REQUIRE(powers.size() == 3);
  CHECK(powers[0] == doctest::Approx(1e-3));
  CHECK(powers[1] == doctest::Approx(share * dbm_to_watt(7.0)).epsilon(1e-9));
  CHECK(powers[2] == doctest::Approx(share * dbm_to_watt(7.0)).epsilon(1e-9));
}

TEST_CASE("behind a filter that takes the neighbours away a fixed output is the tested channel's alone") {
  // A site of 45 GHz lets a channel of 35.2 GHz through and stops those 100 GHz beside it; what of its band
  // lies within the filter's edges (10 GHz wide) is lost: below 1 %.
  const Line line = line_of({"channel.count=3", "channel.spacing_ghz=100", "fibre.spans=2",
                             "fibre.filter_bandwidth_ghz=45", "amplifier.output_power_dbm=3"});
  const std::vector<double> powers = nominal_powers(line);
  CHECK(powers[1] == doctest::Approx(dbm_to_watt(3.0) / 3.0).epsilon(0.01));
  CHECK(powers[2] == doctest::Approx(dbm_to_watt(3.0)).epsilon(0.01));
}
