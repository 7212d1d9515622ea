#include <doctest/doctest.h>

#include <cmath>
#include <limits>
#include <sstream>

#include "tools/study/files/table.h"
#include "tools/study/plan/fec.h"
#include "tools/study/plan/numbers.h"
#include "tools/study/plan/theory.h"

using namespace cohlink;

namespace {

Table example() {
  Table table;
  table.add("x").cells = {1.5, 2.0};
  table.add("ber", Look::kScientific).cells = {0.00123456789, Cell()};
  table.add("errors").cells = {std::uint64_t{12}, std::uint64_t{0}};
  table.add("verdict").cells = {std::string("pass, \"just\""), Cell()};
  return table;
}

std::string printed(Format format) {
  std::ostringstream out;
  print(out, example(), format);
  return out.str();
}

}  // namespace

TEST_CASE("CSV and JSON carry every digit, text a readable number") {
  CHECK(printed(Format::kCsv) ==
        "x,ber,errors,verdict\n1.5,0.00123456789,12,\"pass, \"\"just\"\"\"\n2,,0,\n");
  CHECK(printed(Format::kJson) ==
        "[\n  {\"x\": 1.5, \"ber\": 0.00123456789, \"errors\": 12, \"verdict\": \"pass, \\\"just\\\"\"},\n"
        "  {\"x\": 2, \"ber\": null, \"errors\": 0, \"verdict\": null}\n]\n");
  CHECK(printed(Format::kText) ==
        "  x       ber  errors  verdict\n1.5  1.23e-03      12  pass, \"just\"\n  2         -       0  -\n");
}

TEST_CASE("numbers read back as they were") {
  for (const double value : {0.1, 1.0 / 3.0, 6.02e23, -0.0, 5e-324})
    CHECK(*parse_number(exact_decimal(value)) == value);
  CHECK(exact_decimal(std::numeric_limits<double>::quiet_NaN()).empty());
  CHECK_FALSE(parse_number("1.5x"));
  CHECK_FALSE(parse_number(""));
  CHECK_FALSE(parse_number("inf"));
  CHECK(*parse_number("+2e-3") == 0.002);
  CHECK(short_decimal(0.1 + 0.2) == "0.3");
  CHECK(grouped(1234567) == "1,234,567");
  CHECK(grouped(999) == "999");
  CHECK(duration_text(250) == "4 min 10 s");
}

TEST_CASE("a verdict needs the whole interval on one side of the threshold") {
  const Threshold ber{Quality::kBer, 2e-2}, ngmi{Quality::kNgmi, 0.92};
  CHECK(verdict(ber, Interval{1e-3, 2e-3}) == "pass");
  CHECK(verdict(ber, Interval{3e-2, 4e-2}) == "fail");
  CHECK(verdict(ber, Interval{1e-2, 3e-2}) == "undecided");
  CHECK(verdict(ngmi, Interval{0.93, 0.94}) == "pass");
  CHECK(verdict(ngmi, Interval{0.90, 0.91}) == "fail");
  CHECK(verdict(ngmi, Interval{0.91, 0.93}) == "undecided");
}

TEST_CASE("the threshold is the one given, else the code's, else none") {
  Scenario scenario;
  CHECK(*fec_threshold(scenario) == 2e-2);
  scenario.set("fec.code=cfec-400zr");
  CHECK(*fec_threshold(scenario) == 1.25e-2);
  scenario.set("fec.threshold_ber=3.8e-3");
  CHECK(*fec_threshold(scenario) == 3.8e-3);
  Scenario without;
  without.set("fec.code=none");
  CHECK_FALSE(fec_threshold(without));
  without.set("fec.threshold_ngmi=0.93");
  CHECK_FALSE(fec_threshold(without));  // of BER
  CHECK(verdict_threshold(without)->quality == Quality::kNgmi);
  CHECK(verdict_threshold(without)->value == 0.93);
  without.set("fec.threshold_ber=1e-2");
  CHECK_THROWS_AS(verdict_threshold(without), InputError);
}

TEST_CASE("the net bit rate is the line rate without the code's parity, where that is known") {
  Scenario scenario;
  // 2 polarisations x 2 bits x 32 GBd; oFEC carries 15.3 % (Open ROADM W-port, from memory).
  CHECK(bit_rates(scenario).line == 128e9);
  CHECK(*bit_rates(scenario).net == doctest::Approx(128e9 / 1.153));
  scenario.set("fec.code=rs-g709");  // RS(255,239): 16 parity bytes on 239
  CHECK(*bit_rates(scenario).net == doctest::Approx(128e9 * 239.0 / 255.0));
  scenario.set("fec.threshold_ber=3.8e-3");
  CHECK_FALSE(bit_rates(scenario).net);
  scenario.set("fec.overhead_percent=7");
  CHECK(*bit_rates(scenario).net == doctest::Approx(128e9 / 1.07));
  scenario.set("signal.modulation=16qam");
  CHECK(bit_rates(scenario).line == 256e9);
  scenario.set("signal.pilot_spacing=32");
  CHECK(*bit_rates(scenario).net == doctest::Approx(256e9 / 1.07 * 31.0 / 32.0));
}

TEST_CASE("a matcher's loss is taken off what is carried, and no part of NGMI") {
  // Amplitudes 1, 3, 5, 7 of nu = 0.04, 256 at a time, (114, 82, 43, 17) of them: 433 bits (integer
  // arithmetic, in another language). Two signs and two amplitudes a symbol, and NGMI 1 - (H - GMI) / m.
  Scenario scenario;
  scenario.set("signal.modulation=64qam");
  scenario.set("signal.entropy_bits=5.474597");
  scenario.set("signal.matcher_block=256");
  const double symbols = 64e9, carried = 2.0 + 2.0 * 433.0 / 256.0;
  CHECK(achievable_rate(scenario, 1.0) == doctest::Approx(symbols * carried).epsilon(1e-9));
  CHECK(achievable_rate(scenario, 0.9) == doctest::Approx(symbols * (carried - 0.6)).epsilon(1e-9));
  CHECK(achievable_rate(scenario, 0.05) == 0.0);
  CHECK(ngmi_of_rate(scenario, achievable_rate(scenario, 0.9)) == doctest::Approx(0.9).epsilon(1e-9));
  // Parity of 15.3 % takes 6 x 0.153 / 1.153 bits of a symbol.
  CHECK(*bit_rates(scenario).net == doctest::Approx(symbols * (carried - 6.0 * 0.153 / 1.153)).epsilon(1e-9));
  CHECK(*bit_rates(scenario).net == doctest::Approx(achievable_rate(scenario, 1.0 / 1.153)).epsilon(1e-9));
}

TEST_CASE("theory follows from OSNR and symbol rate") {
  Scenario scenario;
  CHECK_FALSE(theory_ber(scenario));
  // 32 GBd QPSK needs 10.33 dB for 2e-2, 16QAM 16.79 dB: recomputed from the closed forms.
  scenario.set("channel.osnr_db=10.33");
  CHECK(*theory_ber(scenario) == doctest::Approx(2e-2).epsilon(0.01));
  scenario.set("signal.modulation=16qam");
  scenario.set("channel.osnr_db=16.79");
  CHECK(*theory_ber(scenario) == doctest::Approx(2e-2).epsilon(0.01));
  scenario.set("fibre.spans=2");
  CHECK_FALSE(theory_ber(scenario));
  scenario.set("amplifier.ase=false");
  scenario.set("fibre.nonlinear_coefficient_per_w_km=0");
  CHECK(theory_ber(scenario));
}

TEST_CASE("ideal reception has a value for SNR, EVM, Q and information, and none for what it has not") {
  Scenario scenario;
  scenario.set("channel.osnr_db=20");
  scenario.set("signal.modulation=16qam");
  // SNR = OSNR - 10 log10(Rs / 12.5 GHz), EVM = SNR^-1/2; GMI: 16QAM at 16 dB, numpy's quadrature of 150
  // nodes.
  CHECK(*theory_of(scenario, "snr_db") == doctest::Approx(20.0 - 10.0 * std::log10(32.0 / 12.5)));
  CHECK(*theory_of(scenario, "evm_percent") ==
        doctest::Approx(100.0 * std::pow(10.0, -0.05 * 15.9176)).epsilon(1e-4));
  CHECK(*theory_of(scenario, "ber_x") == *theory_ber(scenario));
  scenario.set("signal.symbol_rate_gbd=31.39858");  // 12.5 GHz by 4 dB
  CHECK(std::abs(*theory_of(scenario, "gmi_bits") - 3.97079) < 2e-4);
  CHECK(*theory_of(scenario, "ngmi") == doctest::Approx(*theory_of(scenario, "gmi_bits") / 4.0));
  for (const char* other : {"cycle_slips", "taps_dgd_ps", "post_fec_ber", "colour"})
    CHECK_FALSE(theory_of(scenario, other));
  scenario.set("signal.modulation=gaussian");
  CHECK_FALSE(theory_of(scenario, "gmi_bits"));
  CHECK(theory_of(scenario, "snr_db"));
  scenario.set("fibre.spans=2");
  CHECK_FALSE(theory_of(scenario, "snr_db"));
}
