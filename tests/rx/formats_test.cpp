// Formats that are one row of the constellation table, through the whole chain.
#include <doctest/doctest.h>

#include <cmath>
#include <string>

#include "rx/receiver.h"
#include "sim/link.h"
#include "sim/signal/awgn_information.h"
#include "sim/signal/shaping.h"
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
    const auto snr_of = [](double ber) { return to_db(theory_snr(modulation_named("8qam"), ber)); };
    const double loss = snr_of(2e-2) + 1.0 - snr_of(result.score->both.ber());
    MESSAGE(std::string(method) << ": " << loss << " dB from theory");
    CHECK(loss < 0.2);  // the bar set beforehand; 4,500 errors show 0.02 dB
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

namespace {

const char* const kIdealChain =
    "dsp.chain=resample,dispersion,matched-filter,genie-polarisation,decimate,phase";

// Shaped 64QAM of that entropy, nothing but white noise on its way; 0 = uniform.
Scenario shaped_at(double entropy, double snr_db) {
  Scenario s = test::scenario_of({"signal.modulation=64qam", "signal.symbols=65536", "adc.bits=16",
                                  "adc.loading_db=-16", kIdealChain, "dsp.phase_recovery=genie"});
  if (entropy > 0.0) s.set("signal.entropy_bits=" + std::to_string(entropy));
  s.set("channel.osnr_db=" + std::to_string(snr_db + to_db(test::kRate / kOsnrBandwidthHz)));
  return s;
}

Information measured(const Scenario& s, int frames) {
  const Link link(s, test::fft());
  const Receiver receiver(s, test::fft());
  double rate = 0.0, ngmi = 0.0;
  for (int frame = 0; frame < frames; ++frame) {
    const ReceiverResult result = receiver(link(static_cast<std::uint64_t>(frame)));
    REQUIRE(result.score);
    rate += result.score->information.generalised_bits / frames;
    ngmi += result.score->information.normalised / frames;
  }
  return {0.0, rate, ngmi, 0.0};
}

}  // namespace

TEST_CASE("shaped 64QAM through the ideal chain: rate and NGMI of the table, and what shaping gains") {
  // Gauss-Hermite quadrature in another language: rate 4.04525 and NGMI 0.7966 at 12 dB and 5.2654 bits; at 4
  // bits shaping gains 0.87 dB. Three frames, 4e5 symbols, leave a loss that spreads by 1.3 bits a standard
  // error of 2e-3 bits, 0.007 dB on curves of 0.3 bits a decibel; two and a half of each.
  const Information shaped_rate = measured(shaped_at(5.2654, 12.0), 3);
  CHECK(std::abs(shaped_rate.generalised_bits - 4.04525) < 0.005);
  CHECK(std::abs(shaped_rate.normalised - 0.7966) < 0.005 / 6.0);
  const Information uniform = measured(shaped_at(0.0, 12.72), 3);
  const Constellation& plain = constellation(modulation_named("64qam"));
  const Constellation& drawn = constellation(shaped(modulation_named("64qam"), 5.2654));
  // Along the theory's slopes to 4 bits each.
  const auto snr_for_4_bits = [](const Constellation& c, double snr_db, double rate) {
    const double slope =
        (awgn_generalised_bits(c, from_db(snr_db + 0.1)) - awgn_generalised_bits(c, from_db(snr_db - 0.1))) /
        0.2;
    return snr_db + (4.0 - rate) / slope;
  };
  const double gain = snr_for_4_bits(plain, 12.72, uniform.generalised_bits) -
                      snr_for_4_bits(drawn, 12.0, shaped_rate.generalised_bits);
  MESSAGE("gain of shaping at 4 bits a symbol: " << gain << " dB");
  CHECK(std::abs(gain - 0.87) < 0.05);
}

TEST_CASE("shaped 64QAM by a matcher, decided a posteriori: its BER is the theory's") {
  Scenario s = shaped_at(4.8869, 13.0);
  s.set("signal.matcher_block=256");
  const ReceiverResult result = Receiver(s, test::fft())(Link(s, test::fft())(0));
  REQUIRE(result.score);
  const Modulation m = shaped(modulation_named("64qam"), 4.8869, 256);
  const double theory = theory_ber(m, from_db(13.0)), ber = result.score->both.ber();
  // Four standard errors of errors that come up to twice a symbol.
  CHECK(std::abs(ber - theory) <
        4.0 * std::sqrt(2.0 * theory / static_cast<double>(result.score->both.bits)));
}

TEST_CASE(
    "shaped 64QAM, trained equaliser and lasers: locked at the rate of its SNR, and refused where told "
    "otherwise") {
  Scenario s = shaped_at(5.2654, 15.0);
  for (const char* setting :
       {"dsp.chain=resample,dispersion,matched-filter,equaliser,frequency,phase", "dsp.phase_recovery=bps",
        "dsp.training_symbols=8192", "transmitter.laser_linewidth_khz=50", "laser_lo.linewidth_khz=50",
        "laser_lo.frequency_offset_mhz=100", "channel.polarisation_rotation_deg=37"})
    s.set(setting);
  const Capture capture = Link(s, test::fft())(0);
  const ReceiverResult result = Receiver(s, test::fft())(capture);
  REQUIRE(result.score);
  const double theory =
      awgn_generalised_bits(constellation(shaped(modulation_named("64qam"), 5.2654)), from_db(15.0));
  MESSAGE("rate " << result.score->information.generalised_bits << " of " << theory << ", SNR "
                  << result.snr_db);
  // Taps that are held, and a phase of 64 symbols between lasers of 50 kHz, may take 0.2 dB, on a curve of
  // 0.3 bits a decibel.
  CHECK(result.score->information.generalised_bits > theory - 0.06);
  s.set("signal.entropy_bits=5");
  CHECK_THROWS_WITH(Receiver(s, test::fft())(capture),
                    doctest::Contains("signal.entropy_bits: is not what was sent"));
}
