#include "tools/study/cost_table.h"

#include <doctest/doctest.h>

#include <cmath>
#include <string>

#include "rx/stage/decoder_cost.h"
#include "sim/link.h"
#include "tests/rx/generator.h"

using namespace cohlink;

namespace {

double energy(const Scenario& s, const std::string& block) {
  const Capture capture = Link(s, test::fft())(0);
  const Table table = cost_table(Receiver(s, test::fft()), s, capture);
  const auto& names = table.columns.front().cells;
  for (std::size_t i = 0; i < names.size(); ++i)
    if (std::get<std::string>(names[i]) == block) return std::get<double>(table.columns.back().cells[i]);
  return std::nan("");
}

}  // namespace

TEST_CASE("energies lie below what chips of the same setting were published to need") {
  // 22 nm, 32 GBd, 16QAM, blind search at 0.25 dB of penalty: about 1 pJ a bit (E. Boerjeson and others, J.
  // Lightwave Technol. 38(14) 3616, 2020). Six test phases cost less than that penalty (docs/theory.md).
  Scenario s = test::scenario_of({"signal.symbols=4096", "signal.modulation=16qam", "dsp.test_phases=6"});
  CHECK(energy(s, "phase") < 1.0);
  // 28 nm, QPSK, 9 + 1 taps: 463 mW at 114 Gb/s, 4.06 pJ a bit without adaptation, which about doubles it (C.
  // Fougstedt and others, from memory).
  s = test::scenario_of({"signal.symbols=4096", "dsp.equaliser_taps=9"});
  CHECK(energy(s, "equaliser") < 2.0 * 4.06);
  // A whole receiver and transmitter of 400 Gb/s in 7 nm, converters and code included: about 20 pJ a bit
  // (from memory). 16QAM, the chain as it is by default.
  s = test::scenario_of({"signal.symbols=4096", "signal.modulation=16qam"});
  CHECK(energy(s, "(all)") < 20.0);
}

TEST_CASE("a decoder's energy lies below published ones, and soft decoding is much dearer than hard") {
  // Soft decoders in 28 nm: under 3 pJ a bit, about ten times what hard ones take (M. Barakatain and F. R.
  // Kschischang, J. Lightwave Technol. 36(10) 1894, 2018; figures from memory).
  const Scenario s = test::scenario_of(
      {"signal.symbols=32768", "signal.modulation=16qam", "fec.decode=true", "fec.code=ofec"});
  const double ofec = energy(s, "decoder (ofec)");
  CHECK(ofec > 0.1);
  CHECK(ofec < 3.0);
  CHECK(energy(s, "(all)") < 20.0);
  const Operations soft = decoder_operations("ofec"), inner = decoder_operations("cfec-400zr"),
                   hard = decoder_operations("staircase-g709.2");
  CHECK(soft.additions > 5.0 * inner.additions);
  CHECK(hard.additions == 0.0);
  CHECK(soft.look_ups > 10.0 * hard.look_ups);
  // 64 of the 2^7 patterns of each of three iterations, every bit in two words of 256; then 4 hard ones.
  CHECK(soft.look_ups == doctest::Approx((3.0 * 64 + 4.0) / 128.0));
  CHECK_THROWS_AS(decoder_operations("none"), std::invalid_argument);
}

TEST_CASE("node and word length are said, and the energies go with the word length") {
  Scenario s;
  CHECK(cost_basis(s).find("6-bit words in 7 nm") != std::string::npos);
  s.set("cost.word_length_bits=8");
  const auto eight = operation_energies(s);
  CHECK(eight.multiplication == s.number("cost.energy_per_multiplication_pj"));
  CHECK(eight.addition == s.number("cost.energy_per_addition_pj"));
  s.set("cost.word_length_bits=4");
  CHECK(operation_energies(s).multiplication == doctest::Approx(0.25 * eight.multiplication));
  CHECK(operation_energies(s).addition == doctest::Approx(0.5 * eight.addition));
}
