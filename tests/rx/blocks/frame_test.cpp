// A frame's known symbols: found, used for the first taps, and for the carrier's phase.
#include <doctest/doctest.h>

#include <algorithm>
#include <cmath>
#include <numeric>

#include "rx/blocks/frame_knowledge.h"
#include "rx/blocks/frame_sync.h"
#include "rx/blocks/frequency.h"
#include "rx/blocks/least_squares.h"
#include "rx/blocks/phase_track.h"
#include "rx/quality/metrics.h"
#include "tests/rx/generator.h"

using namespace cohlink;

namespace {

const FrameLayout kZr = {32, 11, 3712, 6, 22, 76}, kFree = {16, 64, 4096};

test::Sent framed(Modulation modulation, const FrameLayout& layout, std::size_t count) {
  test::Sent sent = test::random_symbols(modulation, data_symbols(layout, count));
  for (std::size_t p = 0; p < 2; ++p)
    sent.symbols[p] = map_with_frame(modulation, sent.bits[p], layout, count, p);
  return sent;
}

// At two samples a symbol, `late` symbols late, through a turned polarisation and noise of that SNR [dB].
Field<float> received(const test::Sent& sent, std::size_t late, double snr_db) {
  Field<float> field = test::through(test::rotation(0.7, 1.3), test::shaped(sent.symbols, 2));
  for (auto* row : field.rows())
    std::rotate(row->begin(), row->end() - static_cast<std::ptrdiff_t>(2 * late), row->end());
  test::add_noise(field, from_db(-snr_db));
  return field;
}

}  // namespace

TEST_CASE("known symbols are laid onto a row wherever its blocks begin") {
  const FrameKnowledge knowledge(Modulation::kQam16, kZr);
  const test::Sent sent = framed(Modulation::kQam16, kZr, kZr.period());
  for (const std::size_t late : {std::size_t{0}, std::size_t{5}, std::size_t{3000}, std::size_t{9000}}) {
    CAPTURE(late);
    const KnownSymbols known = knowledge.in_row(100, 12000, late);
    CHECK(std::is_sorted(known.places.begin(), known.places.end()));
    // 126 a block; of the blocks at the ends as many as there happen to be.
    CHECK(std::abs(static_cast<double>(known.places.size()) - 11900.0 * 126 / 3712) < 20);
    std::size_t wrong = 0;
    for (std::size_t n = 0; n < known.places.size(); ++n) {
      const std::size_t k = known.places[n];
      wrong += k < 100 || k >= 12000;
      for (std::size_t p = 0; p < 2; ++p)
        wrong += known.symbols[p][n] != sent.symbols[p][(k + kZr.period() - late) % kZr.period()];
    }
    CHECK(wrong == 0);
  }
}

TEST_CASE("a frame is found in noise: its start, the offset, exchanged lanes, and the super-frame") {
  struct Case {
    const char* modulation;
    double snr_db;  // of a BER of 2e-2 (docs/theory.md: exact sums), half the power of a row each
    FrameLayout layout;
  };
  for (const Case& c : {Case{"qpsk", 6.25, kZr}, {"16qam", 12.71, kZr}, {"64qam", 18.43, kFree}}) {
    const Modulation modulation = modulation_named(c.modulation);
    const std::size_t count = c.layout.period() * (c.layout.blocks == 1 ? 6 : 1);
    const test::Sent sent = framed(modulation, c.layout, count);
    const FrameSync sync(modulation, c.layout, test::fft());
    for (const bool exchanged : {false, true}) {
      Field<float> field = received(sent, 1700, c.snr_db);
      constexpr double kOffset = 0.011;  // cycles a symbol; a spacing of 32 leaves 1/64 unambiguous
      field = remove_frequency(std::move(field), -kOffset * test::kRate);
      if (exchanged)
        for (auto* row : field.rows())
          for (auto& r : *row) r = std::conj(r);
      const FramePlace place = sync(field, 50, count - 50);
      CAPTURE(c.modulation);
      CHECK(place.peak_to_rms > 2.0 * kFrameLock);
      CHECK(place.start == 1700);
      CHECK(place.conjugate == exchanged);
      REQUIRE(place.superframe);
      CHECK(*place.superframe == 1700);
      // Some hundred products at about 0 dB: their angle to 0.05 rad, over 2 pi 16 symbols.
      CHECK(std::abs(place.cycles_per_symbol - (exchanged ? -kOffset : kOffset)) < 5 * 0.05 / (kTwoPi * 16));
    }
    const Field<float> other = received(test::random_symbols(modulation, count), 0, c.snr_db);
    CHECK(sync(other, 50, count - 50).peak_to_rms < kFrameLock);
  }
}

TEST_CASE("an alignment word that the row does not hold is not imagined") {
  const test::Sent sent = framed(Modulation::kQpsk, kZr, kZr.period());
  const FramePlace place =
      FrameSync(Modulation::kQpsk, kZr, test::fft())(received(sent, 0, 6.25), 50, kZr.period() - 50);
  CHECK(place.start == 0);
  CHECK_FALSE(place.superframe);  // its symbols 11 to 33 are lost at the row's edge
}

TEST_CASE("a walking phase is measured and smoothed to the error of the optimum two-sided filter") {
  // Walk of variance q between looks of variance r: the smoother's error is q r / sqrt(q^2 + 4 q r), the
  // integral of q r / (q + r (2 - 2 cos w)) (non-causal Wiener filter: B. D. O. Anderson and J. B. Moore,
  // Optimal Filtering, from memory). Errors are alike over about sqrt(r / q) looks, so that of 20,000 looks
  // some thousand tell: 5 % and less; four of them.
  constexpr std::size_t kCount = 20000, kApart = 32;
  for (const double q : {1.26e-3, 2.5e-2}) {
    const double r = 6e-2;
    RandomStream random = test::stream("walk");
    std::vector<std::size_t> places(kCount);
    std::vector<double> phase(kCount);
    std::vector<std::complex<double>> seen(kCount);
    double at = 1.0;
    for (std::size_t n = 0; n < kCount; ++n) {
      places[n] = kApart * n;
      phase[n] = at;
      seen[n] = std::polar(1.0, at + std::sqrt(r) * random.normal());
      at += std::sqrt(q) * random.normal();
    }
    const PhaseWalk walk = measure_walk(places, seen);
    MESSAGE("walk " << walk.walk * kApart << " of " << q << ", noise " << walk.noise << " of " << r);
    // Mean squares of 20,000 changes, every sixteenth of them independent: 4 %; the walk is a fifteenth of
    // the difference of two.
    CHECK(std::abs(walk.walk * kApart - q) < 4 * 0.04 * (2 * r + 16 * q) / 15);
    CHECK(std::abs(walk.noise - r) < 4 * 0.02 * (r + q));
    const auto smooth = smooth_phase(places, seen, walk);
    double error = 0.0;
    for (std::size_t n = 100; n + 100 < kCount; ++n)
      error += std::pow(std::remainder(smooth[n] - phase[n], kTwoPi), 2) / static_cast<double>(kCount - 200);
    const double optimum = q * r / std::sqrt(q * q + 4 * q * r);
    MESSAGE("error " << error << ", optimum " << optimum);
    CHECK(error == doctest::Approx(optimum).epsilon(0.2));
    const auto lines = between(places, smooth, 0, 100);
    CHECK(lines[16] == doctest::Approx(0.5 * (smooth[0] + smooth[1])));
    CHECK(lines[64] == doctest::Approx(smooth[2]));
  }
}

namespace {

// SNR of both outputs [dB] after taps learnt from `known`, the carrier's phase taken off.
std::array<double, 2> snr_after(const Field<float>& field, const KnownSymbols& known, const test::Sent& sent,
                                const std::vector<double>& phase) {
  constexpr int kTaps = 15;
  const std::size_t count = phase.size(), edge = 32;
  const ButterflyInput in(field, kTaps, edge, count - edge);
  Butterfly filters(kTaps);
  least_squares_start(in, known, edge, count - edge, filters);
  Field<float> out(count, test::kRate);
  for (std::size_t k = 0; k < count; k += Equaliser::kBlock) {
    ButterflyBlock y;
    filters.filter(in, k, y);
    for (std::size_t i = 0; i < 2; ++i) put_together(y, i, out.rows()[i]->data() + k, Equaliser::kBlock);
  }
  std::array<double, 2> snr_db;
  for (std::size_t p = 0; p < 2; ++p) {
    ComplexRow<float>& row = *out.rows()[p];
    for (std::size_t k = 0; k < count; ++k) row[k] *= std::complex<float>(std::polar(1.0, -phase[k]));
    snr_db[p] = error_vector(std::span(row).subspan(edge, count - 2 * edge),
                             std::span(sent.symbols[p]).subspan(edge, count - 2 * edge))
                    .snr_db();
  }
  return snr_db;
}

}  // namespace

TEST_CASE(
    "least squares undo polarisation while the carrier wanders, and lose what the known symbols' number "
    "says") {
  // N known symbols and 2 x 15 taps leave 30 / N of the least mean square error as excess (S. Haykin,
  // Adaptive Filter Theory, method of least squares); it is a sum over 30 directions and varies by sqrt(2 /
  // 30) of itself, four of which are allowed for. The reference: 4,096 symbols in a row, all of them known.
  constexpr std::size_t kCount = 16384, kAll = 4096;
  const Modulation modulation = modulation_named("64qam");
  const test::Sent sent = framed(modulation, kFree, kCount);
  Field<float> field = received(sent, 0, 18.43);
  const auto phase = test::wiener_phase(kCount, 200e3);
  for (std::size_t n = 0; n < field.size(); ++n)
    for (auto* row : field.rows()) (*row)[n] *= std::complex<float>(std::polar(1.0, phase[n / 2]));
  const KnownSymbols known = FrameKnowledge(modulation, kFree).in_row(32, kCount - 32, 0);
  KnownSymbols all;
  for (std::size_t k = 32; k < 32 + kAll; ++k) {
    all.places.push_back(k);
    for (std::size_t p = 0; p < 2; ++p) all.symbols[p].push_back(sent.symbols[p][k]);
  }
  const auto some_db = snr_after(field, known, sent, phase), all_db = snr_after(field, all, sent, phase);
  const double count = static_cast<double>(known.places.size()), excess = 30.0 / count;
  for (std::size_t p = 0; p < 2; ++p) {
    MESSAGE("output " << p << ": " << some_db[p] << " dB from " << count << " known symbols, " << all_db[p]
                      << " dB from " << kAll);
    CHECK(all_db[p] > 18.43);
    CHECK(all_db[p] - some_db[p] < to_db(1.0 + excess * (1.0 + 4.0 * std::sqrt(2.0 / 30.0))));
  }
}
