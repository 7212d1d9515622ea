// Frames of a thousand symbols say of a link what long ones do.
#include <doctest/doctest.h>

#include <cmath>
#include <string>

#include "rx/receiver.h"
#include "sim/link.h"
#include "tests/rx/generator.h"

using namespace cohlink;

namespace {

struct Measured {
  double snr_db = 0.0;         // of the mean noise
  double snr_of_ber_db = 0.0;  // at which white Gaussian noise makes as many errors (theory_snr)
  std::uint64_t unlocked = 0;
};

Measured measure(const Scenario& s, std::uint64_t frames) {
  const Link link(s, test::fft());
  const Receiver receiver(s, test::fft());
  double noise = 0.0, locked = 0.0;
  ErrorCount count;
  for (std::uint64_t f = 0; f < frames; ++f) {
    const ReceiverResult result = receiver(link(f), false);
    if (!result.locked) continue;
    noise += from_db(-result.snr_db), locked += 1.0;
    count += result.score->both;
  }
  const Modulation modulation = modulation_named(s.text("signal.modulation"));
  return {-to_db(noise / locked), to_db(theory_snr(modulation, count.ber())),
          frames - static_cast<std::uint64_t>(locked)};
}

}  // namespace

TEST_CASE("The default chain reads from frames of 1024 symbols the SNR of long ones within 0.1 dB") {
  // 64 frames of 2 x 800 symbols each: a deviation of 1 / sqrt(102400), 0.014 dB.
  for (const auto& tried : {std::pair{"qpsk", "11"}, {"16qam", "20"}}) {
    const auto& modulation = std::get<0>(tried);
    const auto& osnr = std::get<1>(tried);
    const auto frames_of = [&](const char* symbols) {
      return test::scenario_of({std::string("signal.symbols=") + symbols,
                                std::string("signal.modulation=") + modulation,
                                std::string("channel.osnr_db=") + osnr});
    };
    const Measured brief = measure(frames_of("1024"), 64), extended = measure(frames_of("32768"), 2);
    CAPTURE(modulation);
    CAPTURE(brief.snr_db);
    CAPTURE(extended.snr_db);
    CHECK(brief.unlocked == 0);
    CHECK(std::abs(brief.snr_db - extended.snr_db) < 0.1);
    // Taps are fitted to the noise of the few symbols they see, which flatters the SNR and does not lessen
    // errors: 15 taps of two inputs, about half of which the signal's band tells apart, by 15 in 900
    // symbols, 0.07 dB, and as much is lost on what they have not seen. Bunches of errors and what is left of
    // the start-up are in the rest.
    CHECK(std::abs(brief.snr_db - brief.snr_of_ber_db) < 0.25);
    CHECK(std::abs(extended.snr_db - extended.snr_of_ber_db) < 0.1);
  }
}
