// Keys that follow others.
#include <doctest/doctest.h>

#include "sim/signal/scenario/scenario.h"

using namespace cohlink;

namespace {

constexpr const char* kSent = "transmitter.laser_linewidth_khz";
constexpr const char* kOwn = "laser_lo.linewidth_khz";

Scenario tied(const std::string& expression) {
  Scenario scenario;
  scenario.set(kSent, "100", {});
  scenario.set(std::string("tie.") + kOwn, expression, "--tie");
  return scenario;
}

std::string refusal(const std::string& expression) {
  try {
    tied(expression);
    return "";
  } catch (const InputError& error) {
    return error.what();
  }
}

}  // namespace

TEST_CASE("a tied key follows by ratio, sum and product, whenever what it names changes") {
  Scenario scenario = tied("0.5 * transmitter.laser_linewidth_khz + 3");
  CHECK(scenario.number(kOwn) == 53.0);
  scenario.set(kSent, "40", {});
  CHECK(scenario.number(kOwn) == 23.0);
  CHECK(tied("transmitter.laser_linewidth_khz").written(kOwn) == "100");
  CHECK(tied("transmitter.laser_linewidth_khz/3").written(kOwn) == "33.3333333333");
  CHECK(tied("-1e2+3*transmitter.laser_linewidth_khz-2e-1").number(kOwn) == 199.8);
  CHECK(tied("1e4/transmitter.laser_linewidth_khz*2 + signal.symbol_rate_gbd").number(kOwn) ==
        200.0 + Scenario().number("signal.symbol_rate_gbd"));
}

TEST_CASE("ties follow one another in whatever order they stand, and a scenario's text keeps them") {
  Scenario scenario;
  scenario.read_text(
      "[tie]\n"
      "frontend.bandwidth_ghz = 2 * laser_lo.linewidth_khz\n"
      "laser_lo.linewidth_khz = 0.1 * transmitter.laser_linewidth_khz\n"
      "[transmitter]\nlaser_linewidth_khz = 100\n",
      "link.ini");
  CHECK(scenario.number("frontend.bandwidth_ghz") == 20.0);
  CHECK(scenario.followers(kSent) == std::vector<std::string>{kOwn, "frontend.bandwidth_ghz"});
  Scenario again;
  again.read_text(scenario.resolved(), "again");
  CHECK(again.resolved() == scenario.resolved());
  again.set(kSent, "200", {});
  CHECK(again.number("frontend.bandwidth_ghz") == 40.0);
}

TEST_CASE("a law of a draw that names another key is a tie") {
  Scenario scenario;
  scenario.read_text(
      "[draw]\nfibre.span_length_km = 40:120\nfibre.dispersion_ps_per_nm_km = 17 * fibre.span_length_km / "
      "80\n",
      "set.ini");
  CHECK(scenario.draws().size() == 1);
  scenario.set("fibre.span_length_km", "40", {});
  CHECK(scenario.number("fibre.dispersion_ps_per_nm_km") == 8.5);
}

TEST_CASE("what a tie names may come from the fibre's type, and be absent") {
  Scenario scenario;
  scenario.set("tie.fibre.pmd_ps_per_sqrt_km", "fibre.attenuation_db_per_km", {});
  scenario.set("fibre.attenuation_db_per_km", "0.3", {});
  CHECK(scenario.number("fibre.pmd_ps_per_sqrt_km") == 0.3);
  scenario = Scenario();
  scenario.set("tie.frontend.bandwidth_ghz=transmitter.dac_bandwidth_ghz");
  CHECK_FALSE(scenario.is_set("frontend.bandwidth_ghz"));
  scenario.set("transmitter.dac_bandwidth_ghz", "20", {});
  CHECK(scenario.number("frontend.bandwidth_ghz") == 20.0);
}

TEST_CASE("a tied key cannot be set, but freed") {
  Scenario scenario = tied("transmitter.laser_linewidth_khz");
  CHECK_THROWS_WITH_AS(scenario.set(kOwn, "5", "--set"),
                       "--set: laser_lo.linewidth_khz: follows 'transmitter.laser_linewidth_khz', by --tie; "
                       "change what it follows, or free it with tie.laser_lo.linewidth_khz=",
                       InputError);
  scenario.set("tie.laser_lo.linewidth_khz=");
  scenario.set(kOwn, "5", {});
  CHECK(scenario.number(kOwn) == 5.0);
}

TEST_CASE("bad ties name the key and the term") {
  CHECK(refusal("0.5*transmitter.laser_linewith_khz") ==
        "--tie: laser_lo.linewidth_khz: tie '0.5*transmitter.laser_linewith_khz': "
        "transmitter.laser_linewith_khz is no key; did you mean transmitter.laser_linewidth_khz?");
  CHECK(refusal("2*signal.modulation") ==
        "--tie: laser_lo.linewidth_khz: tie '2*signal.modulation': signal.modulation holds no number");
  CHECK(refusal("2*3") == "--tie: laser_lo.linewidth_khz: tie '2*3': names no key to follow");
  CHECK(refusal("adc.bits/0") == "--tie: laser_lo.linewidth_khz: tie 'adc.bits/0': divides by zero");
  CHECK(refusal("adc.bits*") ==
        "--tie: laser_lo.linewidth_khz: tie 'adc.bits*': a number or a key is missing at its end");
  CHECK(refusal("adc.bits 3") ==
        "--tie: laser_lo.linewidth_khz: tie 'adc.bits 3': '3' where one of + - * / or the end was expected");
  CHECK(refusal("2*laser_lo.linewidth_khz") ==
        "--tie: laser_lo.linewidth_khz: tie '2*laser_lo.linewidth_khz': a key cannot follow itself");
  Scenario scenario = tied("transmitter.laser_linewidth_khz");
  CHECK_THROWS_AS(scenario.set("tie.transmitter.laser_linewidth_khz=2*laser_lo.linewidth_khz"), InputError);
  CHECK_THROWS_AS(scenario.set("tie.signal.modulation=adc.bits"), InputError);
  CHECK_THROWS_AS(scenario.set("tie.adc.bit=adc.bits"), InputError);
}

TEST_CASE("a value that does not fit a tied key is said when it is read, not on the way there") {
  Scenario scenario = tied("transmitter.laser_linewidth_khz - 50");
  scenario.set(kSent, "20", {});
  CHECK_THROWS_WITH_AS(scenario.number(kOwn),
                       doctest::Contains("--tie: laser_lo.linewidth_khz: tie "
                                         "'transmitter.laser_linewidth_khz - 50': '-30' is "
                                         "out of range; legal: between 0 and"),
                       InputError);
  scenario.set(kSent, "60", {});
  CHECK(scenario.number(kOwn) == 10.0);
}
