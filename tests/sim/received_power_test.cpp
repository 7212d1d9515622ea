// The power into the receiver follows from the link.
#include <doctest/doctest.h>

#include <string>
#include <vector>

#include "sim/link.h"
#include "sim/link_setup.h"
#include "sim/optical_path.h"
#include "sim/signal/line/read_line.h"
#include "sim/signal/units.h"
#include "tests/ffts.h"

using namespace cohlink;
using test::ffts;

namespace {

using Keys = std::vector<std::string>;

Scenario scenario_of(const Keys& assignments) {
  Scenario scenario;
  scenario.set("signal.symbols=4096");
  for (const std::string& assignment : assignments) scenario.set(assignment);
  return scenario;
}

double received_dbm(const Keys& assignments) { return watt_to_dbm(received_power(scenario_of(assignments))); }

std::string rejection(const Keys& assignments) {
  try {
    link_setup(scenario_of(assignments));
  } catch (const InputError& error) {
    return error.what();
  }
  return "";
}

// The power that a frame's light has behind the attenuator.
double met_dbm(const Keys& assignments) {
  const Scenario scenario = scenario_of(assignments);
  const Link link(scenario, ffts());
  LightFrame frame = link.deliver(link.propagate(link.transmit({}), {}), {});
  return watt_to_dbm(receive_light(frame.light, link_setup(scenario).receiver_input, RandomStreams(1)).power);
}

const Keys kUnamplified = {"fibre.length_km=100",         "fibre.span_length_km=200",
                           "fibre.final_amplifier=false", "fibre.lumped_loss_db=1",
                           "frontend.attenuation_db=2",   "transmitter.launch_power_dbm=-3"};

}  // namespace

TEST_CASE("without a received power what arrives is received: launch power less losses") {
  CHECK(received_dbm({"transmitter.launch_power_dbm=-3"}) == doctest::Approx(-3.0));
  CHECK(received_dbm({"transmitter.launch_power_dbm=-3", "frontend.attenuation_db=7"}) ==
        doctest::Approx(-10.0));
  // 100 km of 0.2 dB/km, 1 dB of connectors, 2 dB before the receiver.
  CHECK(received_dbm(kUnamplified) == doctest::Approx(-3.0 - 20.0 - 1.0 - 2.0));
  // An amplifier behind the last span restores what was launched, of three channels here.
  CHECK(received_dbm({"fibre.spans=2", "channel.count=3", "amplifier.ase=false"}) ==
        doctest::Approx(to_db(3.0)));
  CHECK(received_dbm({"fibre.spans=2", "amplifier.output_power_dbm=2", "amplifier.ase=false",
                      "fibre.final_amplifier=false"}) == doctest::Approx(2.0 - 16.0));
}

TEST_CASE("the light of a frame has the power that the levels foretell") {
  // 4,096 QPSK symbols of a root-raised-cosine pulse hold their mean power within 0.02 dB; the ASE of two
  // amplifiers of 16 dB, 1.5 uW in 128 GHz, is there in both.
  CHECK(met_dbm(kUnamplified) == doctest::Approx(-26.0).epsilon(0.02 / 26.0));
  const Keys amplified = {"fibre.spans=2", "transmitter.launch_power_dbm=-20"};
  CHECK(std::abs(met_dbm(amplified) - received_dbm(amplified)) < 0.05);
}

TEST_CASE("a received power that the link cannot deliver is refused with the power that arrives") {
  CHECK(rejection({"fibre.spans=1", "fibre.final_amplifier=false", "frontend.received_power_dbm=10"}) ==
        "frontend.received_power_dbm: '10' is more than the link delivers: -16.00 dBm arrive, all "
        "channels and noise; absent, the key follows what arrives");
  CHECK(rejection({"fibre.spans=1", "fibre.final_amplifier=false", "frontend.received_power_dbm=-16"}) == "");
  CHECK(rejection({"frontend.received_power_dbm=-20", "frontend.attenuation_db=3"}) ==
        "frontend.attenuation_db: '3' and frontend.received_power_dbm cannot both be given: the one "
        "is an attenuator's loss, the other what it is set to leave");
}

TEST_CASE("an unamplified line is an attenuator where fibre does nothing else") {
  // No Kerr effect and no dispersion: the capture behind 105 km of 0.2 dB/km is that of an attenuator set to
  // -21 dBm, so that a sensitivity in dBm and a reach in km say the same.
  const Keys noisy = {"frontend.shot_noise=true", "frontend.thermal_noise_pa_per_sqrt_hz=20",
                      "run.samples_per_symbol=4"};
  Keys fibre = {"fibre.length_km=105",
                "fibre.span_length_km=200",
                "fibre.final_amplifier=false",
                "fibre.nonlinear_coefficient_per_w_km=0",
                "fibre.dispersion_ps_per_nm_km=0",
                "fibre.dispersion_slope_ps_per_nm2_km=0"};
  Keys attenuator = {"frontend.received_power_dbm=-21"};
  for (Keys* keys : {&fibre, &attenuator}) keys->insert(keys->end(), noisy.begin(), noisy.end());
  const Capture behind_fibre = Link(scenario_of(fibre), ffts())(0);
  const Capture attenuated = Link(scenario_of(attenuator), ffts())(0);
  CHECK(behind_fibre.ampere_per_code[0] == doctest::Approx(attenuated.ampere_per_code[0]).epsilon(1e-9));
  // Codes may differ by one where rounding falls on the other side.
  std::size_t different = 0;
  for (std::size_t i = 0; i < behind_fibre.samples(); ++i)
    different += behind_fibre.lanes[0][i] != attenuated.lanes[0][i];
  CHECK(static_cast<double>(different) < 1e-3 * static_cast<double>(behind_fibre.samples()));
}

TEST_CASE("a length is cut into the fewest equal spans of at most the longest") {
  const auto line = [](const Keys& keys) { return read_line(scenario_of(keys)); };
  CHECK(line({"fibre.length_km=400"}) == line({"fibre.spans=5"}));
  const Line longer = line({"fibre.length_km=401"});
  REQUIRE(longer.sections.size() == 6);
  CHECK(longer.sections[0].span.length == doctest::Approx(401e3 / 6.0));
  CHECK(line({"fibre.length_km=30"}).sections.size() == 1);
  CHECK(rejection({"fibre.length_km=400", "fibre.spans=5"}) ==
        "fibre.spans: '5' and fibre.length_km cannot both be given; fibre.spans = 0 makes way for the "
        "length");
}

TEST_CASE("a power outside the receiver's range is cautioned of") {
  const auto caution = [](const Keys& keys) { return input_range_caution(link_setup(scenario_of(keys))); };
  const Keys range = {"frontend.least_input_dbm=-12", "frontend.most_input_dbm=0"};
  const auto at = [&](const std::string& dbm) {
    Keys keys = range;
    keys.push_back("transmitter.launch_power_dbm=" + dbm);
    return caution(keys);
  };
  CHECK_FALSE(at("-5"));
  CHECK(at("3") == "3.00 dBm into the receiver are more than the 0.00 dBm that it is made for");
  CHECK(at("-15") == "-15.00 dBm into the receiver are less than the -12.00 dBm that it is made for");
  CHECK_FALSE(caution({"transmitter.launch_power_dbm=10"}));
}
