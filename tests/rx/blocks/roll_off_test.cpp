#include "rx/blocks/roll_off.h"

#include <doctest/doctest.h>

#include <cmath>

#include "rx/chain/order.h"
#include "rx/receiver.h"
#include "sim/link.h"
#include "tests/rx/generator.h"

using namespace cohlink;

TEST_CASE("roll-off is read from the spectrum, in noise, whatever the told one beyond it") {
  // Periodograms of n segments scatter by 1/sqrt(n) of their mean; half overlapping Hann windows count for
  // 1/1.05 of one each (P. D. Welch, 1967, for 50 % overlap: variance 1.05/n of twice as many). The raised
  // cosine's derivative by roll-off b is x pi/(2 b) sin over b R, rms 0.3/b on 2 b R df bins. At 65536
  // symbols, n = 128 over both rows and df = R/1024, with power about 1 there:
  //   sigma = sqrt(1.05/128) / (0.3/b sqrt(2 b 1024)) = 0.0067 sqrt(b).
  for (const double roll_off : {0.1, 0.2, 0.4}) {
    const auto sent = test::random_symbols(Modulation::kQam16, 65536);
    Field<float> field = test::shaped(sent.symbols, 2, roll_off);
    test::add_noise(field, 0.1);
    const auto found = RollOffEstimator({Pulse::kRrc, 0.5, 32e9}, 64e9, test::fft())(field);
    REQUIRE(found);
    CAPTURE(roll_off);
    CHECK(std::abs(*found - roll_off) < 5.0 * 0.0067 * std::sqrt(roll_off));
  }
  CHECK(!RollOffEstimator({Pulse::kRrc, 0.5, 32e9}, 64e9, test::fft())(Field<float>(1000, 64e9)));
}

TEST_CASE("the optional block roll-off says what it finds and changes nothing") {
  Scenario s = test::scenario_of(
      {"signal.modulation=qpsk", "channel.osnr_db=18", "signal.symbols=32768", "signal.roll_off=0.2"});
  const Capture capture = Link(s, test::fft())(0);
  const ReceiverResult without = Receiver(s, test::fft())(capture);
  CHECK(without.measured.empty());
  s.set("dsp.chain=resample,frequency,roll-off,dispersion,clock,matched-filter,equaliser,frequency,phase");
  const ReceiverResult with = Receiver(s, test::fft())(capture);
  s.set("dsp.chain=resample,frequency,dispersion,clock,matched-filter,equaliser,frequency,phase");
  CHECK(with.symbols.x == Receiver(s, test::fft())(capture).symbols.x);
  REQUIRE(with.measured.size() == 1);
  CHECK(with.measured[0].output == "roll_off");
  // Half the symbols of the test above; the told band ends where the pulse does, which leaves the floor to
  // guess: its spread adds as much again.
  CHECK(std::abs(with.measured[0].value - 0.2) < 2.0 * 5.0 * 0.0067 * std::sqrt(2.0 * 0.2));
  CHECK(chain_fault({"resample", "matched-filter", "roll-off", "equaliser"}) ==
        "roll-off must come before matched-filter, which changes the spectrum that it reads");
}
