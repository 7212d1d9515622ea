#include <doctest/doctest.h>

#include "sim/signal/scenario/errors.h"
#include "tools/study/plan/plan.h"
#include "tools/study/plan/vary.h"

using namespace cohlink;

namespace {
std::vector<std::string> values(const std::string& argument) { return parse_vary({argument}).front().values; }
}  // namespace

TEST_CASE("a range holds both ends, whatever rounding does to its steps") {
  CHECK(values("channel.osnr_db=9:0.5:10") == std::vector<std::string>{"9", "9.5", "10"});
  CHECK(values("signal.roll_off=0.1:0.1:1").size() == 10);
  CHECK(values("signal.roll_off=0.1:0.1:1")[2] == "0.3");
  CHECK(values("channel.osnr_db=3:-1:1") == std::vector<std::string>{"3", "2", "1"});
  CHECK(values("channel.osnr_db=5:0:5") == std::vector<std::string>{"5"});
  CHECK(values("channel.osnr_db=5") == std::vector<std::string>{"5"});
}

TEST_CASE("commas part axes only before a key, so that lists may be varied") {
  const auto axes = parse_vary({"channel.osnr_db=9|10,dsp.chain=resample,equaliser|resample", "adc.bits=6"});
  REQUIRE(axes.size() == 3);
  CHECK(axes[1].key == "dsp.chain");
  CHECK(axes[1].values == std::vector<std::string>{"resample,equaliser", "resample"});
  CHECK_FALSE(axes[1].numeric);
  CHECK(axes[2].numbers() == std::vector<double>{6.0});
}

TEST_CASE("bad axes are input errors that say what is wrong") {
  CHECK_THROWS_WITH_AS(parse_vary({"channel.osnr=9:1:12"}),
                       "channel.osnr: unknown key; did you mean channel.osnr_db?", InputError);
  CHECK_THROWS_AS(parse_vary({"channel.osnr_db=0:1e-9:1"}), InputError);
  CHECK_THROWS_WITH_AS(parse_vary({"channel.osnr_db=9:0.3:10"}),
                       "channel.osnr_db=9:0.3:10: steps of 0.3 from 9 do not meet 10; end at 9.9 or 10.2",
                       InputError);
  CHECK_THROWS_WITH_AS(parse_vary({"channel.osnr_db=16:-4:9"}),
                       "channel.osnr_db=16:-4:9: steps of -4 from 16 do not meet 9; end at 12 or 8",
                       InputError);
  CHECK_THROWS_WITH_AS(parse_vary({"channel.osnr_db=9:2:10"}),
                       "channel.osnr_db=9:2:10: steps of 2 from 9 do not meet 10; end at 9 or 11",
                       InputError);
  CHECK_THROWS_AS(parse_vary({"channel.osnr_db"}), InputError);
  CHECK_THROWS_AS(parse_vary({"channel.osnr_db="}), InputError);
  CHECK_THROWS_AS(parse_vary({"channel.osnr_db=1:nan:2"}), InputError);
  CHECK_THROWS_WITH_AS(parse_vary({"adc.bits=6|8|6"}), "adc.bits=6|8|6: the value 6 is given twice",
                       InputError);
  CHECK_THROWS_AS(parse_vary({"channel.osnr_db=9|9.0"}), InputError);
  CHECK_THROWS_AS(parse_vary({"channel.extra_dispersion_ps_per_nm=0|-0"}), InputError);
  CHECK_THROWS_AS(parse_vary({"signal.modulation=qpsk|16qam|qpsk"}), InputError);
  // Steps too fine for the twelve digits that a value is written with.
  CHECK_THROWS_AS(parse_vary({"channel.osnr_db=10:1e-12:10.00000000001"}), InputError);
}

TEST_CASE("keys that move together are one axis, of one value for each of them") {
  const auto axes =
      parse_vary({"signal.modulation + signal.symbol_rate_gbd=qpsk:124|16qam:62,adc.bits=6|7,"
                  "signal.entropy_bits+laser_lo.linewidth_khz=5:1|:2"});
  REQUIRE(axes.size() == 3);
  CHECK(axes[0].key == "signal.modulation+signal.symbol_rate_gbd");
  CHECK(axes[0].values == std::vector<std::string>{"qpsk:124", "16qam:62"});
  CHECK(varied_keys(axes).size() == 5);
  const auto plan = make_plan(Scenario(), axes, false);
  REQUIRE(plan.points.size() == 8);
  CHECK(plan.points[7].scenario.text("signal.modulation") == "16qam");
  CHECK(plan.points[7].scenario.number("signal.symbol_rate_gbd") == 62.0);
  CHECK(*plan.points[0].scenario.optional_number("signal.entropy_bits") == 5.0);
  CHECK_FALSE(plan.points[7].scenario.is_set("signal.entropy_bits"));
  // A step of the receiver and of the transmitter in one: nothing is shared.
  CHECK(plan.points[1].equal[0] != plan.points[0].equal[0]);
  CHECK_THROWS_WITH_AS(parse_vary({"adc.bits+adc.enob=6:5|7"}),
                       "adc.bits+adc.enob=6:5|7: '7' is no value for each of the 2 keys that move together; "
                       "part them by colons: v:w|v:w",
                       InputError);
  CHECK_THROWS_WITH_AS(parse_vary({"adc.bits+adc.bits=6:5"}), "adc.bits: varied twice", InputError);
  CHECK_THROWS_WITH_AS(parse_vary({"adc.bits=6", "adc.enob+adc.bits=5:6"}), "adc.bits: varied twice",
                       InputError);
  CHECK_THROWS_AS(parse_vary({"adc.bits+adc.enob=6:5|6.0:5"}), InputError);
  CHECK_THROWS_AS(parse_vary({"adc.bits+adc.enob=6:five"}), InputError);
  CHECK_THROWS_AS(parse_vary({"adc.bits+=6:5"}), InputError);
}

TEST_CASE(
    "the grid is row-major and each stage of a point has streams of its own from the first key that acts on "
    "it") {
  const auto plan = make_plan(Scenario(), parse_vary({"channel.osnr_db=9|10", "adc.bits=5|6|7"}), false);
  REQUIRE(plan.points.size() == 6);
  CHECK(plan.shape() == std::vector<std::size_t>{2, 3});
  CHECK(describe(plan, plan.points[4]) == "channel.osnr_db=10, adc.bits=6");
  CHECK(plan.points[4].scenario.number("channel.osnr_db") == 10.0);
  CHECK(plan.points[4].scenario.integer("adc.bits") == 6);
  // Transmitter and line are common to all, the optics to points of one OSNR.
  CHECK(plan.points[4].addresses == StageAddresses{0, 0, 3, 4});
  const auto common = make_plan(Scenario(), parse_vary({"adc.bits=5|6|7"}), true);
  CHECK(common.points[2].addresses == StageAddresses{0, 0, 0, 0});
}

TEST_CASE("a value outside a key's range is refused while planning") {
  CHECK_THROWS_AS(make_plan(Scenario(), parse_vary({"adc.bits=6|99"}), false), InputError);
  CHECK_THROWS_AS(make_plan(Scenario(), parse_vary({"signal.modulation=qpsk|8psk"}), false), InputError);
}
