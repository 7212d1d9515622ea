#include "sim/signal/pilots.h"

#include <doctest/doctest.h>

#include <algorithm>
#include <cmath>
#include <stdexcept>

#include "rx/blocks/amplitude.h"
#include "rx/blocks/decision_phase.h"
#include "rx/blocks/fourth_power_phase.h"
#include "rx/blocks/pilot_phase.h"
#include "rx/quality/cycle_slips.h"
#include "rx/quality/information.h"
#include "rx/quality/score.h"
#include "tests/rx/generator.h"

using namespace cohlink;

namespace {

constexpr std::size_t kFrame = 32768, kSpacing = 32;

// Random payload between pilots.
test::Sent with_pilots(Modulation modulation) {
  const std::size_t payload = kFrame - kFrame / kSpacing;
  test::Sent sent = test::random_symbols(modulation, payload);
  for (std::size_t p = 0; p < 2; ++p)
    sent.symbols[p] = map_with_pilots(modulation, sent.bits[p], kSpacing, p);
  return sent;
}

// Quarter turns from symbol `at` on.
void slip(ComplexRow<float>& row, std::size_t at, int turns) {
  constexpr std::complex<float> kTurn[4] = {{1, 0}, {0, 1}, {-1, 0}, {0, -1}};
  for (std::size_t k = at; k < row.size(); ++k) row[k] *= kTurn[turns];
}

// The rows `delay` symbols late, as if the transmitter repeated its frame.
Field<float> late(const test::Sent& sent, std::size_t delay) {
  Field<float> field = test::at_symbol_rate(sent.symbols);
  for (auto* row : field.rows())
    std::rotate(row->begin(), row->end() - static_cast<std::ptrdiff_t>(delay), row->end());
  return field;
}

}  // namespace

TEST_CASE("pilots stand at their places, know their bits, and Y's are not X's") {
  for (const auto modulation : {Modulation::kQpsk, Modulation::kQam16}) {
    const test::Sent sent = with_pilots(modulation);
    const auto per_symbol = static_cast<std::size_t>(bits_per_symbol(modulation));
    CHECK(sent.symbols[0].size() == kFrame);
    CHECK(sent.bits[0].size() == kFrame * per_symbol);
    CHECK(decide_bits(modulation, sent.symbols[1], false) == sent.bits[1]);
    std::complex<double> common = 0.0;
    const Symbols x = pilot_symbols(modulation, kFrame / kSpacing, 0);
    for (std::size_t m = 0; m < x.size(); ++m) {
      CHECK(sent.symbols[0][m * kSpacing] == x[m]);
      common += sent.symbols[0][m * kSpacing] * std::conj(sent.symbols[1][m * kSpacing]);
    }
    CHECK(std::abs(common) < 4.0 * std::sqrt(static_cast<double>(x.size())));
  }
  Bits few(10);
  CHECK_THROWS_AS(map_with_pilots(Modulation::kQpsk, few, 32, 0), std::invalid_argument);
}

TEST_CASE("pilots resolve the quarter turn and remove every slip, at the noise of BER 2e-2") {
  struct Case {
    Modulation modulation;
    double snr_db;
  };
  for (const Case& c : {Case{Modulation::kQpsk, 6.25}, {Modulation::kQam16, 12.71}}) {
    const test::Sent sent = with_pilots(c.modulation);
    Field<float> field = late(sent, 5);
    test::add_noise(field, from_db(-c.snr_db));
    slip(field.x, 0, 3);
    slip(field.x, 9000, 1);
    slip(field.x, 9900, 2);
    slip(field.y, 20000, 3);
    const PilotPhase pilots({c.modulation, kSpacing, kFrame}, test::fft());
    const PilotResult out = pilots(field, 10, kFrame - 10);
    CHECK(out.found[0]);
    CHECK(out.found[1]);
    CHECK(out.source == std::array<int, 2>{0, 1});
    CHECK(out.slips == 3);
    Truth truth;
    truth.bits = sent.bits;
    truth.symbols = sent.symbols;
    std::vector<std::string> warnings;
    const auto score = score_symbols({out.symbols, 10, kFrame - 10}, truth,
                                     {c.modulation, false, {kSpacing}, true}, test::fft(), warnings);
    REQUIRE(score);
    // Pilots are not counted. What lies between a slip and the point half way to the next pilot is wrong: at
    // most spacing/2 symbols, half their bits, for each of three slips; beside that theory, within five
    // standard errors.
    const double bits = static_cast<double>(score->both.bits),
                 theory = theory_ber(c.modulation, from_db(c.snr_db));
    CHECK(score->both.bits <= 2 * (kFrame - 20) * (kSpacing - 1) / kSpacing *
                                      static_cast<std::size_t>(bits_per_symbol(c.modulation)) +
                                  128);
    const double misplaced = 3.0 * 16.0 * 0.75 * bits_per_symbol(c.modulation) / bits;
    CHECK(score->both.ber() < theory + misplaced + 5.0 * std::sqrt(theory / bits));
    CHECK(score->both.ber() > theory - 5.0 * std::sqrt(theory / bits));
    CHECK(score->quarter_turns == std::array<int, 2>{0, 0});
  }
}

TEST_CASE("pilots make no slips of their own and say when they are not there") {
  const test::Sent sent = with_pilots(Modulation::kQpsk);
  Field<float> field = late(sent, 0);
  test::add_noise(field, from_db(-3.0));  // BER 8e-2
  const PilotPhase pilots({Modulation::kQpsk, kSpacing, kFrame}, test::fft());
  CHECK(pilots(field, 0, kFrame).slips == 0);
  const PilotResult none =
      pilots(test::at_symbol_rate(test::random_symbols(Modulation::kQpsk, kFrame).symbols), 0, kFrame);
  CHECK_FALSE(none.found[0]);
  CHECK_FALSE(none.found[1]);
  std::swap(field.x, field.y);
  CHECK(pilots(field, 0, kFrame).source == std::array<int, 2>{1, 0});
  CHECK_THROWS_AS(PilotPhase({Modulation::kQpsk, 7, kFrame}, test::fft()), std::invalid_argument);
}

TEST_CASE(
    "pilots have the constellation's power and moments, so that a row's scale is right at any spacing") {
  // Of 16QAM, |a|^2 has a variance of 0.32 and |a|^4 one of 1.28: means over the pilots within four of their
  // standard errors. Signal power from moments: as its own test has it for rows without pilots.
  constexpr std::size_t kCount = 16384;
  for (std::size_t p = 0; p < 2; ++p) {
    const Symbols pilots = pilot_symbols(Modulation::kQam16, kCount, p);
    double second = 0.0, fourth = 0.0;
    for (const auto& a : pilots) {
      second += std::norm(a) / kCount;
      fourth += std::norm(a) * std::norm(a) / kCount;
    }
    CHECK(std::abs(second - 1.0) < 4.0 * std::sqrt(0.32 / kCount));
    CHECK(std::abs(fourth - 1.32) < 4.0 * std::sqrt(1.28 / kCount));
  }
  for (const std::size_t spacing : {2, 4, 8}) {
    test::Sent sent = test::random_symbols(Modulation::kQam16, 65536 - 65536 / spacing);
    for (std::size_t p = 0; p < 2; ++p)
      sent.symbols[p] = map_with_pilots(Modulation::kQam16, sent.bits[p], spacing, p);
    Field<float> field = test::at_symbol_rate(sent.symbols);
    test::add_noise(field, from_db(-14.0));
    for (const auto* row : field.rows())
      CHECK(signal_power(*row, Modulation::kQam16) == doctest::Approx(1.0).epsilon(0.025));
  }
}

TEST_CASE(
    "the fewest pilots a frame may have are found at the noise of BER 2e-2, and seldom where none are") {
  struct Case {
    Modulation modulation;
    double snr_db;
  };
  constexpr std::size_t kShort = kFewestPilots * kSpacing;
  for (const Case& c : {Case{Modulation::kQpsk, 6.25}, {Modulation::kQam16, 12.71}}) {
    const PilotPhase pilots({c.modulation, kSpacing, kShort}, test::fft());
    std::size_t found = 0, imagined = 0;
    for (std::uint64_t frame = 0; frame < 50; ++frame) {
      test::Sent sent = test::random_symbols(c.modulation, kShort - kFewestPilots, frame);
      for (std::size_t p = 0; p < 2; ++p)
        sent.symbols[p] = map_with_pilots(c.modulation, sent.bits[p], kSpacing, p);
      Field<float> field = test::at_symbol_rate(sent.symbols);
      test::add_noise(field, from_db(-c.snr_db), frame);
      const PilotResult out = pilots(field, 0, kShort);
      found += out.found[0] + out.found[1];
      const PilotResult none = pilots(
          test::at_symbol_rate(test::random_symbols(c.modulation, kShort, 1000 + frame).symbols), 0, kShort);
      imagined += none.found[0] + none.found[1];
    }
    MESSAGE(std::string(modulation_name(c.modulation))
            << ": found " << found << " of 100, imagined " << imagined);
    CHECK(found == 100);
    CHECK(imagined == 0);
  }
}

TEST_CASE("with pilots, what a slip spoils is in SNR, MI and GMI too: nothing is put right from the truth") {
  const test::Sent sent = with_pilots(Modulation::kQam16);
  Truth truth;
  truth.bits = sent.bits;
  truth.symbols = sent.symbols;
  Field<float> field = test::at_symbol_rate(sent.symbols);
  test::add_noise(field, from_db(-16.0));
  std::vector<std::string> warnings;
  const auto scored = [&](std::size_t spacing) {
    const auto score =
        score_symbols({field, 0, kFrame}, truth, {Modulation::kQam16, false, {spacing}, spacing > 0},
                      test::fft(), warnings);
    REQUIRE(score);
    return *score;
  };
  // Pilots are as the payload: leaving one in 32 out changes nothing beyond a few of 1/sqrt(symbols).
  const Score clean = scored(kSpacing), all = scored(0);
  CHECK(clean.snr_db == doctest::Approx(16.0).epsilon(0.005));
  CHECK(std::abs(clean.information.generalised_bits - all.information.generalised_bits) < 0.005);
  slip(field.x, kFrame - 4096, 1);  // an eighth of X: its power is error, twofold
  CHECK(scored(kSpacing).snr_db < 10.0);
  CHECK(scored(kSpacing).information.generalised_bits < clean.information.generalised_bits - 0.3);
  CHECK(scored(0).snr_db > 15.0);
}

TEST_CASE("pilots are not in MI and GMI: the payload alone gives the same figures") {
  // Every second symbol a pilot.
  test::Sent sent = test::random_symbols(Modulation::kQam16, kFrame / 2);
  for (std::size_t p = 0; p < 2; ++p)
    sent.symbols[p] = map_with_pilots(Modulation::kQam16, sent.bits[p], 2, p);
  Field<float> field = test::at_symbol_rate(sent.symbols);
  test::add_noise(field, from_db(-12.0));
  Truth truth;
  truth.bits = sent.bits;
  truth.symbols = sent.symbols;
  std::vector<std::string> warnings;
  const auto score =
      score_symbols({field, 0, kFrame}, truth, {Modulation::kQam16, false, {2}, true}, test::fft(), warnings);
  REQUIRE(score);
  std::array<Information, 2> payload, all;
  for (std::size_t p = 0; p < 2; ++p) {
    ComplexRow<float> received, received_all = *field.rows()[p];
    Symbols data;
    for (std::size_t k = 1; k < kFrame; k += 2) {
      received.push_back(received_all[k]);
      data.push_back(sent.symbols[p][k]);
    }
    const ErrorVector fit = error_vector(received, data);
    const double noise = mean_power(std::span<const std::complex<double>>(data)) / fit.snr;
    for (auto* row : {&received, &received_all})
      for (auto& y : *row) y /= std::complex<float>(fit.gain);
    payload[p] = achievable_information(received, data, noise, Modulation::kQam16);
    all[p] = achievable_information(received_all, sent.symbols[p], noise, Modulation::kQam16);
  }
  CHECK(score->information.mutual_bits ==
        doctest::Approx(mean(payload[0], payload[1]).mutual_bits).epsilon(1e-6));
  CHECK(score->information.generalised_bits ==
        doctest::Approx(mean(payload[0], payload[1]).generalised_bits).epsilon(1e-6));
  // Counting pilots would be seen: other symbols, other noise.
  CHECK(std::abs(score->information.mutual_bits - mean(all[0], all[1]).mutual_bits) > 1e-4);
}

TEST_CASE("the noise that MI and GMI believe in is measured against the power of what was sent") {
  // Corner points of 16QAM, mean power 1.8, in noise of 16 dB below one.
  test::Sent sent = test::random_symbols(Modulation::kQpsk, kFrame);
  const auto noise = from_db(-16.0);
  for (auto& row : sent.symbols)
    for (auto& a : row) a *= std::sqrt(1.8);
  Field<float> field = test::at_symbol_rate(sent.symbols);
  test::add_noise(field, noise);
  Truth truth;
  truth.symbols = sent.symbols;
  std::vector<std::string> warnings;
  const auto score = score_symbols({field, 0, kFrame}, truth, {Modulation::kQam16}, test::fft(), warnings);
  REQUIRE(score);
  const Information right = mean(achievable_information(field.x, sent.symbols[0], noise, Modulation::kQam16),
                                 achievable_information(field.y, sent.symbols[1], noise, Modulation::kQam16));
  // The measured noise is within 1/sqrt(symbols), 0.6 %, of the true; losses follow it about threefold.
  CHECK(4.0 - score->information.generalised_bits ==
        doctest::Approx(4.0 - right.generalised_bits).epsilon(0.03));
}

TEST_CASE("slips are counted from the recovered phase alone; a random walk has none") {
  constexpr std::size_t kWindow = 64, kCount = 400000;
  std::vector<double> phase = test::wiener_phase(kCount, 500e3);  // 0.08 rad rms over a window
  RandomStream noise = test::stream("estimate");
  for (std::size_t k = 0; k < kCount; ++k)
    phase[k] += 0.03 * noise.normal() + 2e-4 * static_cast<double>(k);  // and an offset left
  REQUIRE(suspected_slips(phase, kWindow));
  CHECK(*suspected_slips(phase, kWindow) == 0);
  int at = 0;
  for (const int sign : {1, 1, -1, 1, -1, -1, -1}) {
    at += 50000;
    for (std::size_t k = static_cast<std::size_t>(at); k < kCount; ++k)  // within a third of a window
      phase[k] +=
          sign * 0.5 * kPi * std::min(1.0, static_cast<double>(k - static_cast<std::size_t>(at)) / 20.0);
  }
  CHECK(*suspected_slips(phase, kWindow) == 7);
  // 30 MHz over 64 symbols: 0.6 rad rms. Nobody can tell.
  CHECK_FALSE(suspected_slips(test::wiener_phase(kCount, 30e6), kWindow));
}

TEST_CASE("a second stage brings the QPSK partition of 16QAM from five times the bound to the bound") {
  // 60000 symbols hold 900 windows of 65: the variance's standard error is 5 %; four of them.
  constexpr std::size_t kCount = 60000;
  constexpr double kSnrDb = 22.0, kPhase = 0.3;
  constexpr int kWindow = 65;
  Field<float> field = test::at_symbol_rate(test::random_symbols(Modulation::kQam16, kCount).symbols);
  test::add_noise(field, from_db(-kSnrDb));
  for (auto& y : field.x) y *= std::complex<float>(std::polar(1.0, kPhase));
  const std::complex<float>* rows[] = {field.x.data()};
  const auto first = FourthPowerPhase({Modulation::kQam16, kWindow})(rows, kCount);
  for (std::size_t k = 0; k < kCount; ++k) field.x[k] *= std::complex<float>(std::polar(1.0, -first[k]));
  const auto second = DecisionPhase({Modulation::kQam16, kWindow})(rows, first);
  double before = 0.0, after = 0.0;
  for (std::size_t k = kWindow; k < kCount - kWindow; ++k) {
    before += std::pow(std::remainder(first[k] - kPhase, 0.5 * kPi), 2) / kCount;
    after += std::pow(std::remainder(first[k] + second[k] - kPhase, 0.5 * kPi), 2) / kCount;
  }
  const double bound = 1.0 / (2.0 * kWindow * from_db(kSnrDb));
  MESSAGE("variance over bound: partition " << before / bound << ", with decisions " << after / bound);
  CHECK(before / bound > 4.0);
  CHECK(after / bound < 1.2);
  CHECK(after / bound > 0.8);
  CHECK_THROWS_AS(DecisionPhase({Modulation::kGaussian, 16}), std::invalid_argument);
}
