// The whole pilot-aided receiver, from the line to the score.
#include <doctest/doctest.h>

#include <string>

#include "rx/receiver.h"
#include "sim/link.h"
#include "sim/signal/awgn_information.h"
#include "sim/signal/record/capture.h"
#include "sim/signal/shaping.h"
#include "tests/rx/generator.h"

using namespace cohlink;

namespace {

bool says(const std::string& text, const std::string& part) { return text.find(part) != std::string::npos; }

Scenario with(Scenario s, std::initializer_list<const char*> settings) {
  for (const char* setting : settings) s.set(setting);
  return s;
}

// Lasers of 100 kHz, polarisation turned, 32 GBd.
Scenario base(std::initializer_list<const char*> settings) {
  return with(test::scenario_of({"signal.symbols=65536", "channel.polarisation_rotation_deg=35",
                                 "channel.polarisation_retardance_deg=70",
                                 "transmitter.laser_linewidth_khz=100", "laser_lo.linewidth_khz=100"}),
              settings);
}

const std::initializer_list<const char*> k64 = {"signal.modulation=64qam", "signal.frame=free",
                                                "signal.pilot_spacing=32", "channel.osnr_db=23"};

}  // namespace

TEST_CASE("64QAM with pilots and 100 kHz lasers is within 0.5 dB of theory at a BER of 2e-2") {
  // Exact theory (constellation.h). What known symbols of 2.33 times the payload's power take of it, 0.18 dB,
  // is in the 0.5 dB. 2 x 2 frames of 760,000 bits: the BER to 1 %, the SNR to 0.02 dB.
  const Scenario s = base(k64);
  const Link link(s, test::fft());
  const Receiver receiver(s, test::fft());
  std::uint64_t errors = 0, bits = 0;
  for (std::uint64_t frame = 0; frame < 2; ++frame) {
    const ReceiverResult result = receiver(link(frame));
    CHECK(result.locked);
    REQUIRE(result.score);
    CHECK(result.score->cycle_slips == 0);
    CHECK_FALSE(result.score->swapped);
    errors += result.score->both.errors;
    bits += result.score->both.bits;
    CHECK(result.payload_rate == doctest::Approx(32e9 * (65536 - 2048 - 62) / 65536));
  }
  const double ber = static_cast<double>(errors) / static_cast<double>(bits),
               needed = to_db(theory_snr(modulation_named("64qam"), ber)),
               given = 23.0 - to_db(32e9 / kOsnrBandwidthHz);
  MESSAGE("BER " << ber << ", " << given - needed << " dB from theory");
  CHECK(ber > 1.5e-2);
  CHECK(ber < 2.5e-2);
  CHECK(given - needed < 0.5);
}

TEST_CASE(
    "64QAM shaped to 4.3 bits is received by a frame alone, lasers of 100 kHz and a turning polarisation") {
  // Known symbols of 1.95 times the payload's power take 0.13 dB of its SNR (their share and power), and the
  // smoothed phase 0.10 (beside the known one); the rest of 0.5 is what a chain of 15 taps may lose. 63,000
  // symbols on either row: the SNR to 0.02 dB.
  const Scenario s = base({"signal.modulation=64qam", "signal.entropy_bits=4.3", "signal.frame=free",
                           "signal.pilot_spacing=32", "channel.osnr_db=15", "channel.dgd_ps=10",
                           "channel.polarisation_rotation_krad_per_s=200"});
  const Receiver receiver(s, test::fft());
  const ReceiverResult result = receiver(Link(s, test::fft())(0));
  CHECK(result.locked);
  REQUIRE(result.score);
  CHECK(result.score->cycle_slips == 0);
  for (const std::string& known : result.used_known_data) CHECK(says(known, "frame"));
  const double given = 15.0 - to_db(32e9 / kOsnrBandwidthHz);
  MESSAGE("SNR " << result.snr_db << " of " << given << " dB");
  CHECK(result.snr_db > given - 0.5);
  CHECK(result.snr_db < given);
  CHECK(std::abs(result.score->information.normalised -
                 awgn_ngmi(constellation(shaped(modulation_named("64qam"), 4.3)), from_db(result.snr_db))) <
        0.01);
}

TEST_CASE("the pilot-aided receiver knows nothing of the truth: without it the symbols are the same") {
  const Scenario s = base(k64);
  Capture capture = Link(s, test::fft())(0);
  const Receiver receiver(s, test::fft());
  const ReceiverResult knowing = receiver(capture);
  capture.truth.reset();
  const ReceiverResult blind = receiver(capture);
  CHECK(blind.symbols.x == knowing.symbols.x);
  CHECK(blind.symbols.y == knowing.symbols.y);
  CHECK(blind.locked);
  CHECK(std::abs(blind.snr_db - knowing.snr_db) < 0.1);  // likeliest against data-aided: docs/theory.md
  REQUIRE(blind.used_known_data.size() == 3);
  CHECK(says(blind.used_known_data[0], "known by the layout"));
  CHECK(receiver.blocks()[6] == "matched-filter");
  CHECK(receiver.blocks()[7] == "frame-sync");
}

TEST_CASE("a frame tells the skew between X and Y, whole symbols of 31.25 ps too") {
  // Taps of 15 and some thousand known symbols: tenths of a picosecond; what they cannot invert, a rest of
  // the skew at the ends of the band, is in the other half of 1 ps.
  for (const char* skew : {"transmitter.xy_skew_ps=-5", "transmitter.xy_skew_ps=40"}) {
    CAPTURE(skew);
    Scenario s = base({"signal.modulation=16qam", "signal.frame=free", "signal.pilot_spacing=32",
                       "signal.symbols=32768", "channel.osnr_db=20", skew});
    const ReceiverResult result = Receiver(s, test::fft())(Link(s, test::fft())(0));
    REQUIRE(result.channel);
    REQUIRE(result.channel->xy_skew);
    CHECK(std::abs(1e12 * *result.channel->xy_skew - s.number("transmitter.xy_skew_ps")) < 0.3);
  }
}

TEST_CASE("QPSK between lasers of 2 MHz slips without pilots and never with them") {
  const Scenario s =
      base({"signal.frame=free", "signal.pilot_spacing=32", "channel.osnr_db=10.3",
            "transmitter.laser_linewidth_khz=2000", "laser_lo.linewidth_khz=2000", "dsp.phase_window=16"});
  const Link link(s, test::fft());
  const Receiver receiver(s, test::fft()), blind(with(s, {"dsp.pilots=ignored"}), test::fft());
  std::size_t aided_slips = 0, blind_slips = 0;
  for (std::uint64_t frame = 0; frame < 4; ++frame) {
    const Capture capture = link(frame);
    const ReceiverResult aided = receiver(capture), alone = blind(capture);
    REQUIRE(aided.score);
    REQUIRE(alone.score);
    aided_slips += aided.score->cycle_slips;
    blind_slips += alone.score->cycle_slips;
    CHECK(aided.score->quarter_turns == std::array<int, 2>{0, 0});
    CHECK(alone.used_known_data.empty());
  }
  MESSAGE("slips in 4 frames: " << blind_slips << " without, " << aided_slips << " with");
  CHECK(aided_slips == 0);
  CHECK(blind_slips > 0);
}

TEST_CASE("blind and pilot-aided receivers follow 5.1 Mrad/s behind DGD and PDL") {
  // The fastest that has been published: Charlton et al., Opt. Express 25(9) 9689 (2017). At the OSNR of a
  // soft code's threshold for 16QAM, by no more than the 0.5 dB that OIF-400ZR-01.0 (from memory) leaves for
  // 50 krad/s. The lag of 20 mrad alone, an error at -34 dB, is 0.05 dB. Standing still has the same symbols
  // and noise.
  for (const char* modulation : {"qpsk", "16qam"})
    for (const bool framed : {false, true}) {
      CAPTURE(std::string(modulation));
      CAPTURE(framed);
      Scenario still =
          base({"channel.osnr_db=19", "channel.dgd_ps=20", "channel.pdl_db=1", "signal.symbols=32768"});
      still.set(std::string("signal.modulation=") + modulation);
      if (framed) still = with(still, {"signal.frame=free", "signal.pilot_spacing=32"});
      const auto score = [](const Scenario& s) {
        return Receiver(s, test::fft())(Link(s, test::fft())(0)).score;
      };
      const auto slow = score(still),
                 fast = score(with(still, {"channel.polarisation_rotation_krad_per_s=5100"}));
      REQUIRE(slow);
      REQUIRE(fast);
      const double lost_db = slow->snr_db - fast->snr_db;
      MESSAGE("loses " << lost_db << " dB");
      CHECK(lost_db < 0.5);
    }
}

TEST_CASE("the 400ZR frame carries 16QAM through offset, delay, a turning polarisation and exchanged lanes") {
  // As the standard's module (from memory): 59.84375 GBd, 3.6 GHz, 28 ps, 50 krad/s. OSNR 19.51 dB is an SNR
  // of 12.71 dB, BER 2e-2 in theory; 0.4 dB is what known symbols (0.12 dB), phase and equaliser may take.
  const Scenario s =
      base({"signal.modulation=16qam", "signal.frame=400zr", "signal.symbols=66816",
            "signal.symbol_rate_gbd=59.84375", "channel.osnr_db=19.51", "channel.dgd_ps=28",
            "laser_lo.frequency_offset_mhz=-3600", "channel.polarisation_rotation_krad_per_s=50"});
  const ReceiverResult result = Receiver(s, test::fft())(Link(s, test::fft())(0));
  REQUIRE(result.score);
  CHECK(result.locked);
  const double needed = to_db(theory_snr(Modulation::kQam16, result.score->both.ber()));
  MESSAGE("16QAM, " << 12.709 - needed << " dB from theory");
  CHECK(12.709 - needed < 0.4);
  CHECK(*result.frequency_offset_hz == doctest::Approx(-3600e6).epsilon(1e-3));

  const Scenario exchanged = with(s, {"adc.inputs=XQ,XI,YQ,YI", "channel.dgd_ps=0"});
  const ReceiverResult turned = Receiver(exchanged, test::fft())(Link(exchanged, test::fft())(0));
  REQUIRE(turned.score);
  CHECK(turned.score->both.ber() < 2.5e-2);
  REQUIRE(!turned.warnings.empty());
  CHECK(says(turned.warnings[0], "I and Q of the lanes have changed places"));
}

TEST_CASE("a receiver that expects a frame and finds none has not locked, and says what it wants to know") {
  const Scenario without =
      test::scenario_of({"signal.modulation=qpsk", "channel.osnr_db=15", "signal.symbols=16384"});
  const Scenario expects = with(without, {"signal.frame=free", "signal.pilot_spacing=32"});
  const ReceiverResult result = Receiver(expects, test::fft())(Link(without, test::fft())(0));
  CHECK(!result.locked);
  CHECK(result.used_known_data.empty());
  REQUIRE(!result.warnings.empty());
  CHECK(says(result.warnings[0], "no frame found"));

  Capture one = Link(expects, test::fft())(0);
  one.lanes = test::x_alone(one.lanes);
  CHECK_THROWS_WITH(Receiver(expects, test::fft())(one), doctest::Contains("dsp.pilots = ignored"));
  const auto refusal = [&](std::initializer_list<const char*> settings, const Scenario& of) -> std::string {
    try {
      Receiver receiver(with(of, settings), test::fft());
    } catch (const InputError& error) {
      return error.what();
    }
    return "accepted";
  };
  CHECK(says(refusal({"dsp.training_symbols=1024"}, expects), "dsp.pilots = ignored"));
  CHECK(says(refusal({"dsp.chain=resample,matched-filter,frame-sync,equaliser,phase"}, without),
             "no frame to look for"));
  CHECK(refusal({"dsp.chain=resample,matched-filter,frame-sync,equaliser,phase"}, expects) == "accepted");
}
