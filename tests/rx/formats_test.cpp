// Formats that are one row of the constellation table, through the whole chain.
#include <doctest/doctest.h>

#include <cmath>
#include <string>

#include "rx/receiver.h"
#include "sim/link.h"
#include "tests/rx/generator.h"

using namespace cohlink;

namespace {

Scenario at_ber(const char* format, double ber, double above_db) {
  const double snr_db = to_db(theory_snr(modulation_named(format), ber)) + above_db;
  Scenario s =
      test::scenario_of({std::string("signal.modulation=") + format, "signal.symbols=65536",
                         "transmitter.laser_linewidth_khz=100", "laser_lo.linewidth_khz=100",
                         "laser_lo.frequency_offset_mhz=300", "channel.polarisation_rotation_deg=37"});
  s.set("channel.osnr_db=" + std::to_string(snr_db + to_db(test::kRate / kOsnrBandwidthHz)));
  return s;
}

}  // namespace

TEST_CASE("8QAM, genie chain: BER and GMI are those of white Gaussian noise, plain and differential") {
  for (const char* differential : {"false", "true"}) {
    Scenario s = at_ber("8qam", 2e-2, 0.0);
    s.set(std::string("signal.differential=") + differential);
    s.set("dsp.chain=resample,dispersion,matched-filter,genie-polarisation,decimate,phase");
    s.set("dsp.phase_recovery=genie");
    const ReceiverResult result = Receiver(s, test::fft())(Link(s, test::fft())(0));
    REQUIRE(result.score);
    CHECK(result.locked);
    const Modulation m = modulation_named("8qam");
    const double snr = theory_snr(m, 2e-2);
    const double theory = s.boolean("signal.differential") ? theory_ber_differential(m, snr) : 2e-2;
    // Four standard errors of errors that come up to three at a time in a symbol, and as many in the next.
    const auto bits = static_cast<double>(result.score->both.bits);
    CHECK(std::abs(result.score->both.ber() - theory) < 4.0 * std::sqrt(3.0 * theory / bits));
  }
}

TEST_CASE("8QAM, blind chain: it locks with known symbols and without, and follows the carrier") {
  for (const char* method : {"bps", "fourth-power"}) {
    Scenario s = at_ber("8qam", 2e-2, 1.0);
    s.set(std::string("dsp.phase_recovery=") + method);
    Capture capture = Link(s, test::fft())(0);
    const ReceiverResult result = Receiver(s, test::fft())(capture);
    CAPTURE(std::string(method));
    REQUIRE(result.score);
    CHECK(result.locked);
    CHECK(std::abs(result.frequency_offset_hz.value() - 3e8) < 2e6);
    const double ber = result.score->both.ber();
    MESSAGE(std::string(method) << ": "
                                << to_db(theory_snr(modulation_named("8qam"), 2e-2)) + 1.0 -
                                       to_db(theory_snr(modulation_named("8qam"), ber))
                                << " dB from theory");
    CHECK(ber < 2e-2);  // 1 dB more than theory needs is enough
    capture.truth.reset();
    CHECK(Receiver(s, test::fft())(capture).locked);
  }
}

TEST_CASE("64QAM, known symbols to start on: locked, at a BER that theory has 1.5 dB lower") {
  Scenario s = at_ber("64qam", 1e-2, 1.5);
  s.set("dsp.training_symbols=8192");
  const ReceiverResult result = Receiver(s, test::fft())(Link(s, test::fft())(0));
  REQUIRE(result.score);
  CHECK(result.score->both.ber() < 1e-2);
}
