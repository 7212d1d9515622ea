// Decoding at the end of the whole receiver.
#include <doctest/doctest.h>

#include <algorithm>
#include <cmath>
#include <string>
#include <vector>

#include "rx/quality/bit_likelihood.h"
#include "rx/quality/metrics.h"
#include "rx/receiver.h"
#include "rx/recording/piece_sum.h"
#include "sim/link.h"
#include "sim/signal/awgn_information.h"
#include "sim/signal/scenario/errors.h"
#include "sim/signal/shaping.h"
#include "sim/signal/units.h"
#include "tests/rx/generator.h"

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

TEST_CASE("frames that are decoded together are the bits of both in a row, whatever receives them") {
  // Half a block of oFEC each: 12.2 dB lies below its waterfall at 12.48 dB (docs/codes.md).
  Scenario s = scenario_at(12.2, "16384");
  const FftCache fft(FftPlanning::kEstimate);
  CHECK_THROWS_AS(Receiver(s, fft).check_length(64e9, 16384), InputError);
  Receiver receiver(s, fft);
  receiver.decode_together(2);
  CHECK_NOTHROW(receiver.check_length(64e9, 16384));
  const Link link(s, fft);
  PieceSum sum(receiver);
  ReceiverResult total;
  std::vector<float> likelihoods;
  std::uint64_t errors = 0, bits = 0;
  for (const std::uint64_t frame : {0, 1}) {
    const ReceiverResult piece = receiver(link(frame), false);
    REQUIRE(piece.score);
    CHECK_FALSE(piece.score->post_fec);
    const auto& kept = piece.score->likelihoods;
    CHECK(kept.size() == piece.score->both.bits);
    // Decisions are taken before the gain is fitted, signs after: a few in a thousand differ.
    const auto wrong = std::count_if(kept.begin(), kept.end(), [](float x) { return x < 0; });
    CHECK(static_cast<double>(wrong) ==
          doctest::Approx(static_cast<double>(piece.score->both.errors)).epsilon(0.01));
    likelihoods.insert(likelihoods.end(), kept.begin(), kept.end());
    errors += piece.score->both.errors;
    bits += piece.score->both.bits;
    sum.add(total, piece);
  }
  sum.finish(total);
  REQUIRE(total.score);
  REQUIRE(total.score->post_fec);
  CHECK(total.score->both.errors == errors);
  CHECK(total.score->both.bits == bits);
  const fec::PostFec whole = fec::decode_flipped("ofec", likelihoods), &left = *total.score->post_fec;
  CHECK(left.blocks == 42);
  CHECK(left.lost_blocks > 0);
  CHECK(left.errors == whole.errors);
  CHECK(left.lost_blocks == whole.lost_blocks);
  CHECK(left.before.errors == whole.before.errors);
}

namespace {

// 16QAM after 20 spans of 80 km with their own noise and Kerr effect, received blind; white noise loaded
// besides.
ReceiverResult received_of_line(double osnr_db, int linewidth_khz) {
  Scenario s;
  s.read_text(
      "[signal]\nmodulation = 16qam\nsymbols = 32768\n[run]\nsamples_per_symbol = 2\nprecision = single\n"
      "fft_planning = estimated\n[transmitter]\nlaunch_power_dbm = -1\n[fibre]\nspans = 20\n"
      "span_length_km = 80\nsteps_per_span = 4\n[amplifier]\nnoise_figure_db = 5\n[fec]\ndecode = true\n",
      "test");
  for (const char* laser : {"transmitter.laser_linewidth_khz=", "laser_lo.linewidth_khz="})
    s.set(laser + std::to_string(linewidth_khz));
  s.set("channel.osnr_db=" + std::to_string(osnr_db));
  const FftCache fft(FftPlanning::kEstimate);
  return Receiver(s, fft)(Link(s, fft)(0), false);
}

// Lost of 42 blocks of white noise that leaves 16QAM this BER.
std::uint64_t lost_in_white_noise(double ber) {
  const double snr = theory_snr(Modulation::kQam16, ber);
  const auto data = test::random_symbols(Modulation::kQam16, 44000, 1);
  Field<float> field = test::at_symbol_rate(data.symbols);
  test::add_noise(field, 1.0 / snr, 1);
  return fec::decode_flipped("ofec",
                             flipped_likelihoods(field.x, data.symbols[0], 1.0 / snr, Modulation::kQam16))
      .lost_blocks;
}

}  // namespace

TEST_CASE("oFEC after 20 spans fails within 0.1 dB of where white noise of the same BER makes it fail") {
  // Two OSNRs 0.2 dB apart, one on either side for both. Errors fall one by one.
  const ReceiverResult worse = received_of_line(18.17, 100), better = received_of_line(18.37, 100);
  for (const ReceiverResult* result : {&worse, &better}) {
    REQUIRE(result->score);
    REQUIRE(result->score->post_fec);
    CAPTURE(result->score->both.ber());
    CHECK_FALSE(result->score->post_fec->before.bunch());
    const bool fails = result == &worse;
    CHECK((result->score->post_fec->lost_blocks > 21) == fails);
    CHECK((lost_in_white_noise(result->score->both.ber()) > 21) == fails);
  }
}

TEST_CASE("Lasers of 2 MHz without pilots bunch errors, and the LLRs know less than the BER promises") {
  const ReceiverResult result = received_of_line(20.9, 2000);
  REQUIRE(result.score);
  REQUIRE(result.score->post_fec);
  const Score& score = *result.score;
  CAPTURE(score.both.ber());
  CHECK(score.post_fec->before.bunch());
  CHECK(score.post_fec->before.dispersion() > 3.0);
  const double white =
      awgn_ngmi(constellation(Modulation::kQam16), theory_snr(Modulation::kQam16, score.both.ber()));
  CHECK(score.information.normalised < white - 1e-3);
}

TEST_CASE(
    "Shaped 64QAM decodes where uniform 64QAM of the same NGMI does, and where it is to fail it fails") {
  // Priors in the LLRs. NGMI 0.930, clear of both waterfalls (half of the blocks lost at 0.9164 and 0.9195,
  // which speed waterfall shows), and 0.905.
  const Modulation uniform = modulation_named("64qam");
  for (const Modulation format : {uniform, shaped(uniform, 4.887)})
    for (const double ngmi : {0.930, 0.905}) {
      const double noise = 1.0 / awgn_snr_for_ngmi(constellation(format), ngmi);
      constexpr std::size_t kSymbols = 29000;
      const Bits bits = constellation(format).is_shaped()
                            ? shaped_bits(format, kSymbols, RandomStreams(3).stream("bits"))
                            : test::random_symbols(format, kSymbols, 3).bits[0];
      const Symbols sent = map_bits(format, bits, false);
      std::vector<std::complex<float>> arrived(sent.begin(), sent.end()), added(kSymbols);
      RandomStreams(3).stream("noise").fill_noise(0, std::sqrt(noise), std::span(added));
      for (std::size_t k = 0; k < kSymbols; ++k) arrived[k] += added[k];
      const fec::PostFec left =
          fec::decode_flipped("ofec", flipped_likelihoods(arrived, sent, noise, format));
      CAPTURE(ngmi);
      CHECK((left.lost_blocks == 0) == (ngmi > 0.92));
      CHECK((left.lost_blocks == left.blocks) == (ngmi < 0.92));
    }
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
  const Interval none = post_fec_interval({100, 0, 100000, 0, 0, {}}, 1e-2);
  CHECK(none.low == 0.0);
  CHECK(none.high == doctest::Approx(3.62e-4).epsilon(2e-3));
  const Interval five =
      post_fec_interval({100, 5, 100000, 500, 0, {}}, 1e-2);  // 100 errors in each lost block of 1000 bits
  CHECK(five.low == doctest::Approx(1.64e-3).epsilon(5e-3));
  CHECK(five.high == doctest::Approx(1.128e-2).epsilon(2e-3));
}
