#include "rx/recording/long_capture.h"

#include <doctest/doctest.h>

#include <algorithm>
#include <cmath>
#include <map>

#include "sim/link.h"
#include "tests/rx/generator.h"

using namespace cohlink;

namespace {

constexpr std::size_t kSymbols = 131072, kPiece = 16384;

Scenario turning_path(const std::string& modulation, const std::string& osnr) {
  return test::scenario_of({"signal.symbols=" + std::to_string(kSymbols), "signal.modulation=" + modulation,
                            "channel.osnr_db=" + osnr, "transmitter.laser_linewidth_khz=100",
                            "laser_lo.linewidth_khz=100", "laser_lo.frequency_offset_mhz=900",
                            "channel.polarisation_rotation_deg=40", "channel.polarisation_retardance_deg=70",
                            "channel.polarisation_rotation_krad_per_s=50", "channel.dgd_ps=20",
                            "channel.extra_dispersion_ps_per_nm=3000", "adc.clock_offset_ppm=40"});
}

LongCapture pieces_of(const Capture& whole, bool truth) {
  LongCapture recording;
  recording.samples = whole.samples();
  recording.sample_rate = whole.sample_rate;
  recording.piece_symbols = kPiece;
  recording.read = [&whole, truth](std::size_t first, std::size_t count) {
    Capture piece;
    piece.sample_rate = whole.sample_rate;
    piece.ampere_per_code = whole.ampere_per_code;
    piece.lanes = Lanes(count);
    for (std::size_t l = 0; l < 4; ++l)
      std::ranges::copy(whole.lanes[l].subspan(first, count), piece.lanes[l].begin());
    if (truth) piece.truth = whole.truth;
    return piece;
  };
  return recording;
}

// Which symbols and quarter turns of what was sent an output's symbols [from, to) are: with few errors, or
// nothing.
struct Place {
  std::size_t row = 2, index = 0;
  int turns = 0;
  bool operator==(const Place&) const = default;
};

Place place_of(const ComplexRow<float>& received, std::size_t from, const std::array<Symbols, 2>& sent,
               std::size_t guess) {
  constexpr std::size_t kCount = 512, kReach = 64;
  for (std::size_t row = 0; row < 2; ++row)
    for (std::size_t shift = 0; shift <= 2 * kReach; ++shift) {
      const std::size_t index = (guess + shift + kSymbols - kReach) % kSymbols;
      std::complex<double> sum = 0.0;
      for (std::size_t k = 0; k < kCount; ++k)
        sum += std::complex<double>(received[from + k]) * std::conj(sent[row][(index + k) % kSymbols]);
      if (std::abs(sum) > 0.5 * kCount)
        return {row, index, (static_cast<int>(std::lround(std::arg(sum) / (0.5 * kPi))) + 4) % 4};
    }
  return {};
}

}  // namespace

TEST_CASE("pieces of a long recording go on from each other without truth: X on X, turns and count kept") {
  // 40 ppm move the symbols by 5 over the recording, 0.65 a piece: the count must follow.
  for (const auto& [modulation, osnr] : {std::pair{"qpsk", "14"}, {"16qam", "22"}}) {
    const Scenario s = turning_path(modulation, osnr);
    const Capture whole = Link(s, test::fft())(0);
    LongCapture recording = pieces_of(whole, false);
    std::size_t next = 0, pieces = 0;
    std::array<Place, 2> expected;
    recording.done = [&](const ReceiverResult& piece) {
      CAPTURE(pieces);
      for (std::size_t i = 0; i < 2; ++i) {
        const ComplexRow<float>& row = *piece.symbols.rows()[i];
        const std::size_t last = piece.first_judged + piece.judged_symbols - 512;
        if (pieces == 0)
          expected[i] = place_of(row, piece.first_judged, whole.truth->symbols, piece.first_judged);
        REQUIRE(expected[i].row < 2);
        Place here = expected[i];
        here.index = (here.index + next) % kSymbols;
        CHECK(place_of(row, piece.first_judged, whole.truth->symbols, here.index) == here);
        here.index = (here.index + piece.judged_symbols - 512) % kSymbols;
        CHECK(place_of(row, last, whole.truth->symbols, here.index) == here);
      }
      next += piece.judged_symbols;
      ++pieces;
    };
    const LongResult result = receive_long(Receiver(s, test::fft()), recording);
    CHECK(result.total.locked);
    CHECK(pieces == result.pieces.size());
    CHECK(pieces > 7);
    CHECK(!result.pieces.front().joined);
    CHECK(std::all_of(result.pieces.begin() + 1, result.pieces.end(),
                      [](const PieceResult& piece) { return piece.joined; }));
    // Every symbol but those of the ends, once.
    CHECK(next == result.total.judged_symbols);
    CHECK(std::abs(static_cast<double>(next + result.total.discarded_symbols) - kSymbols) < 16.0);
    CHECK(expected[0].row + expected[1].row == 1);
  }
}

TEST_CASE(
    "pieces cost no SNR against one whole reception, and a cold start is made where the signal was lost") {
  const Scenario s = turning_path("qpsk", "12");
  Capture whole = Link(s, test::fft())(0);
  const Receiver receiver(s, test::fft());
  const ReceiverResult at_once = receiver(whole);
  const LongResult in_pieces = receive_long(receiver, pieces_of(whole, true));
  REQUIRE(at_once.score);
  REQUIRE(in_pieces.total.score);
  // The same symbols and noise: what differs is where the adaptation starts.
  CHECK(std::abs(in_pieces.total.snr_db - at_once.snr_db) < 0.03);
  CHECK(in_pieces.total.score->both.bits + 8 * 1000 > at_once.score->both.bits);
  // A stretch of noise in the middle: the pieces that hold nothing else are lost, the rest is not.
  RandomStream noise = test::stream("outage");
  for (std::size_t l = 0; l < 4; ++l)
    for (std::size_t n = whole.samples() / 2; n < whole.samples() * 11 / 16; ++n)
      whole.lanes[l][n] = static_cast<std::int16_t>(std::lround(20.0 * noise.normal()));
  const LongResult broken = receive_long(receiver, pieces_of(whole, true));
  const auto lost = std::count_if(broken.pieces.begin(), broken.pieces.end(),
                                  [](const PieceResult& piece) { return !piece.locked; });
  CHECK(lost >= 1);
  CHECK(lost <= 3);
  CHECK(broken.pieces.back().locked);
  CHECK(broken.pieces.back().joined);
}

namespace {

// One sample of every lane left out in the middle of the recording: half a symbol that is missing.
Capture one_sample_lost(Capture capture) {
  capture.lanes = test::without(capture.lanes, capture.samples() / 2, 1);
  return capture;
}

Scenario short_path(const std::string& modulation, const std::string& osnr) {
  return test::scenario_of({"signal.symbols=" + std::to_string(kSymbols), "signal.modulation=" + modulation,
                            "channel.osnr_db=" + osnr, "transmitter.laser_linewidth_khz=100",
                            "laser_lo.linewidth_khz=100", "laser_lo.frequency_offset_mhz=300",
                            "channel.polarisation_rotation_deg=35", "channel.polarisation_retardance_deg=70",
                            "channel.polarisation_rotation_krad_per_s=50", "channel.dgd_ps=12",
                            "adc.clock_offset_ppm=20"});
}

void noise_from(Capture& capture, std::size_t first, std::size_t count) {
  RandomStream noise = test::stream("outage");
  for (std::size_t l = 0; l < 4; ++l)
    for (std::size_t n = first; n < first + count; ++n)
      capture.lanes[l][n] = static_cast<std::int16_t>(std::lround(20.0 * noise.normal()));
}

}  // namespace

TEST_CASE(
    "known symbols have no say in how pieces are received, and a lost sample costs only its own piece") {
  for (const auto& tried : {std::pair{"qpsk", "15"}, {"16qam", "21"}}) {
    const auto& modulation = std::get<0>(tried);
    const auto& osnr = std::get<1>(tried);
    CAPTURE(std::string(modulation));
    const Scenario s = short_path(modulation, osnr);
    const Capture whole = one_sample_lost(Link(s, test::fft())(0));
    const Receiver receiver(s, test::fft());
    const LongResult blind = receive_long(receiver, pieces_of(whole, false));
    const LongResult known = receive_long(receiver, pieces_of(whole, true));
    REQUIRE(blind.pieces.size() == known.pieces.size());
    for (std::size_t i = 0; i < blind.pieces.size(); ++i) {
      CAPTURE(i);
      CHECK(blind.pieces[i].joined == known.pieces[i].joined);
      CHECK(blind.pieces[i].first_sample == known.pieces[i].first_sample);
      CHECK(blind.pieces[i].symbols == known.pieces[i].symbols);
      CHECK(blind.pieces[i].frequency_offset_hz == known.pieces[i].frequency_offset_hz);
    }
    // The best is that of undisturbed pieces, each within 0.1 dB (four standard errors of 16384 symbols).
    const double best = blind.pieces[1].snr_db;
    const std::size_t hurt = blind.pieces.size() / 2;
    for (std::size_t i = 0; i < blind.pieces.size(); ++i)
      if (i != hurt) CHECK(blind.pieces[i].snr_db > best - 0.2);
  }
}

TEST_CASE("a piece without lock, first or later, leaves the report to the others") {
  const Scenario s = short_path("qpsk", "15");
  const Capture good = Link(s, test::fft())(0);
  const Receiver receiver(s, test::fft());
  for (const std::size_t first : {std::size_t{0}, good.samples() / 2}) {
    CAPTURE(first);
    Capture broken = good;
    noise_from(broken, first, first == 0 ? 2 * kPiece : 3 * kPiece);
    const LongResult result = receive_long(receiver, pieces_of(broken, true));
    CHECK(std::count_if(result.pieces.begin(), result.pieces.end(),
                        [](const PieceResult& piece) { return !piece.locked; }) == 1);
    CHECK(result.total.locked);
    REQUIRE(result.total.score);
    CHECK(!result.total.taps[0][0].empty());
    CHECK(!result.total.stages.empty());
    CHECK(result.pieces.back().joined);
    std::uint64_t bits = 0;
    for (const PieceResult& piece : result.pieces) bits += piece.bits;
    CHECK(bits == result.total.score->both.bits);
    CHECK(result.pieces.back().snr_db > 10.5);
  }
}

TEST_CASE("every symbol is judged once, whether pieces are joined or start cold") {
  const Scenario s = short_path("qpsk", "15");
  Capture whole = Link(s, test::fft())(0);
  noise_from(whole, whole.samples() / 2, 3 * kPiece);
  const Receiver receiver(s, test::fft());
  LongCapture recording = pieces_of(whole, false);
  const LongResult result = receive_long(receiver, recording);
  std::size_t judged = 0, cold = 0;
  for (const PieceResult& piece : result.pieces) judged += piece.symbols, cold += piece.joined ? 0 : 1;
  CHECK(cold >= 3);  // the first, the lost one and the one after
  // To a symbol a cold start, and the clock's drift: 20 ppm of the recording.
  CHECK(std::abs(static_cast<double>(judged + result.total.discarded_symbols) - kSymbols) <=
        static_cast<double>(cold) + 3.0);
}

TEST_CASE("training symbols start the first piece alone, and a later cold start is blind") {
  Scenario s = short_path("qpsk", "15");
  s.set("dsp.training_symbols=4096");
  Capture whole = Link(s, test::fft())(0);
  const Receiver receiver(s, test::fft());
  const std::size_t lost = whole.samples() / 2;
  noise_from(whole, lost, 3 * kPiece);
  const LongResult result = receive_long(receiver, pieces_of(whole, true));
  CHECK(result.total.used_known_data == std::vector<std::string>{"equaliser (4096 training symbols)"});
  CHECK(result.pieces.front().snr_db > 10.5);
  CHECK(result.pieces.back().snr_db > 10.5);
  CHECK(std::count_if(result.pieces.begin(), result.pieces.end(),
                      [](const PieceResult& piece) { return !piece.locked; }) == 1);
}

TEST_CASE("samples missing from a recording are said to be missing and are no cycle slips") {
  const Scenario s = short_path("qpsk", "15");
  Capture whole = Link(s, test::fft())(0);
  whole.lanes = test::without(whole.lanes, whole.samples() / 2, 10001);
  const LongResult result = receive_long(Receiver(s, test::fft()), pieces_of(whole, true));
  REQUIRE(result.total.score);
  const auto said = [&](const char* words) {
    return std::any_of(result.total.warnings.begin(), result.total.warnings.end(),
                       [&](const std::string& w) { return w.find(words) != std::string::npos; });
  };
  CHECK(said("samples missing"));
  CHECK(result.total.score->misplaced > 256);
  CHECK(result.total.score->cycle_slips <= 8);
}

TEST_CASE("a carrier that jumps by gigahertz is found anew") {
  const Scenario s = short_path("qpsk", "15");
  Capture whole = Link(s, test::fft())(0);
  for (std::size_t n = whole.samples() / 2; n < whole.samples(); ++n) {
    const auto turn =
        std::polar(1.0, std::fmod(kTwoPi * 3e9 / whole.sample_rate * static_cast<double>(n), kTwoPi));
    for (std::size_t l = 0; l < 4; l += 2) {
      const auto y = turn * std::complex<double>(whole.lanes[l][n], whole.lanes[l + 1][n]);
      whole.lanes[l][n] = static_cast<std::int16_t>(std::lround(y.real()));
      whole.lanes[l + 1][n] = static_cast<std::int16_t>(std::lround(y.imag()));
    }
  }
  const LongResult result = receive_long(Receiver(s, test::fft()), pieces_of(whole, true));
  CHECK(std::abs(result.pieces.front().frequency_offset_hz - 300e6) < 5e6);
  CHECK(std::abs(result.pieces.back().frequency_offset_hz - 3300e6) < 5e6);
  CHECK(result.pieces.back().locked);
}

TEST_CASE("pieces too short to share what joins them are refused by name") {
  const Scenario s = turning_path("qpsk", "14");
  const Capture whole = Link(s, test::fft())(0);
  LongCapture recording = pieces_of(whole, false);
  recording.piece_symbols = 1024;
  CHECK_THROWS_WITH_AS(receive_long(Receiver(s, test::fft()), recording), doctest::Contains("piece_symbols"),
                       InputError);
}
