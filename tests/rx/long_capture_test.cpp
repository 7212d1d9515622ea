#include "rx/long_capture.h"

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
    for (std::size_t l = 0; l < 4; ++l) {
      const auto from = whole.lanes[l].begin() + static_cast<std::ptrdiff_t>(first);
      piece.lanes[l].assign(from, from + static_cast<std::ptrdiff_t>(count));
    }
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
  for (auto& lane : whole.lanes)
    for (std::size_t n = whole.samples() / 2; n < whole.samples() * 11 / 16; ++n)
      lane[n] = static_cast<std::int16_t>(std::lround(20.0 * noise.normal()));
  const LongResult broken = receive_long(receiver, pieces_of(whole, true));
  const auto lost = std::count_if(broken.pieces.begin(), broken.pieces.end(),
                                  [](const PieceResult& piece) { return !piece.locked; });
  CHECK(lost >= 1);
  CHECK(lost <= 3);
  CHECK(broken.pieces.back().locked);
  CHECK(broken.pieces.back().joined);
}
