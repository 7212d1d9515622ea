// Decoding at the end of the whole receiver.
#include <doctest/doctest.h>

#include <string>

#include "rx/quality/metrics.h"
#include "rx/receiver.h"
#include "sim/link.h"
#include "sim/signal/scenario/errors.h"
#include "sim/signal/units.h"

using namespace cohlink;

namespace {

// 16QAM over white noise alone, at this SNR.
Scenario scenario_at(double snr_db, const std::string& symbols) {
  Scenario s;
  s.read_text(
      "[signal]\nmodulation = 16qam\n[run]\nsamples_per_symbol = 2\nfft_planning = estimated\n[adc]\nbits = "
      "12\n"
      "loading_db = -14\n[dsp]\nchain = resample,matched-filter,decimate,phase\nphase_recovery = "
      "genie\n[fec]\n"
      "decode = true\n",
      "test");
  s.set("signal.symbols=" + symbols);
  s.set("channel.osnr_db=" + std::to_string(snr_db + to_db(32.0 / 12.5)));
  return s;
}

ReceiverResult received(double snr_db) {
  const Scenario s = scenario_at(snr_db, "32768");
  const FftCache fft(FftPlanning::kEstimate);
  return Receiver(s, fft)(Link(s, fft)(0), false);
}

}  // namespace

TEST_CASE("16QAM through the receiver decodes below the threshold of oFEC and fails above it") {
  // 2e-2 lies at 12.71 dB (exact Gray 16QAM): half a decibel above is clear of it, a whole one below far
  // beyond.
  const ReceiverResult good = received(13.2), bad = received(11.7);
  REQUIRE(good.score);
  REQUIRE(good.score->post_fec);
  CHECK(good.score->both.ber() > 1e-2);
  CHECK(good.score->post_fec->blocks == 42);
  CHECK(good.score->post_fec->errors == 0);
  REQUIRE(bad.score);
  REQUIRE(bad.score->post_fec);
  CHECK(bad.score->post_fec->lost_blocks > 30);
}

TEST_CASE(
    "Frames shorter than a code is decoded in are refused before any work, as is what cannot be decoded") {
  const FftCache fft(FftPlanning::kEstimate);
  const Scenario shorter = scenario_at(13.2, "16384");
  CHECK_THROWS_WITH_AS(Receiver(shorter, fft).check_length(64e9, 16384), doctest::Contains("fec.decode"),
                       InputError);
  for (const char* setting : {"fec.code=none", "signal.differential=true", "signal.modulation=gaussian"}) {
    Scenario s = scenario_at(13.2, "32768");
    s.set(setting);
    CHECK_THROWS_WITH_AS(Receiver(s, fft), doctest::Contains("fec.decode"), InputError);
  }
}

TEST_CASE("The interval after decoding is that of lost blocks") {
  // Clopper and Pearson: none of 100, 0 to 0.0362 (any table); 5 of 100, 0.0164 to 0.1128.
  const Interval none = post_fec_interval({100, 0, 100000, 0}, 1e-2);
  CHECK(none.low == 0.0);
  CHECK(none.high == doctest::Approx(3.62e-4).epsilon(2e-3));
  const Interval five =
      post_fec_interval({100, 5, 100000, 500}, 1e-2);  // 100 errors in each lost block of 1000 bits
  CHECK(five.low == doctest::Approx(1.64e-3).epsilon(5e-3));
  CHECK(five.high == doctest::Approx(1.128e-2).epsilon(2e-3));
}
