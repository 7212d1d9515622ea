#include "rx/quality/score.h"

#include <doctest/doctest.h>

#include <cmath>

#include "rx/blocks/amplitude.h"
#include "rx/quality/alignment.h"
#include "rx/quality/error_count.h"
#include "sim/signal/prbs.h"
#include "sim/signal/units.h"
#include "tests/rx/generator.h"

using namespace cohlink;

namespace {

Truth truth_of(const test::Sent& sent) {
  Truth truth;
  truth.bits = sent.bits;
  truth.symbols = sent.symbols;
  return truth;
}

std::optional<Score> score(const Field<float>& field, const test::Sent& sent, ScoreParameters parameters,
                           std::vector<std::string>* warnings = nullptr) {
  std::vector<std::string> lines;
  auto result = score_symbols({field, 50, field.size() - 50}, truth_of(sent), parameters, test::fft(), lines);
  if (warnings != nullptr) *warnings = lines;
  return result;
}

// Row p of the output carries symbols of `source`, `delay` late, `turns` quarter turns on.
void place(Field<float>& field, std::size_t p, const Symbols& source, long delay, int turns) {
  const auto n = static_cast<long>(source.size());
  const std::complex<double> turn = std::polar(1.0, 0.5 * kPi * turns);
  for (long k = 0; k < n; ++k)
    (*field.rows()[p])[static_cast<std::size_t>(k)] =
        std::complex<float>(turn * source[static_cast<std::size_t>(((k - delay) % n + n) % n)]);
}

}  // namespace

TEST_CASE("Alignment recovers swap, quarter turns and delays, and then no error is counted") {
  for (const auto modulation : {Modulation::kQpsk, Modulation::kQam16}) {
    const auto sent = test::random_symbols(modulation, 4000);
    Field<float> field(4000, test::kRate);
    place(field, 0, sent.symbols[1], -7, 3);
    place(field, 1, sent.symbols[0], 1300, 2);
    const auto result = score(field, sent, {modulation, false});
    REQUIRE(result);
    CHECK(result->swapped);
    CHECK(result->quarter_turns == std::array<int, 2>{2, 3});
    CHECK(result->delay_symbols == std::array<long, 2>{1300, -7});
    CHECK(result->both.errors == 0);
    CHECK(result->both.bits == 2u * 3900u * static_cast<unsigned>(bits_per_symbol(modulation)));
    CHECK(result->cycle_slips == 0);
  }
}

TEST_CASE("Alignment holds at an SNR of 3 dB and on a frame shorter than the capture") {
  const auto sent = test::random_symbols(Modulation::kQpsk, 2048);
  Field<float> field(5000, test::kRate);
  for (std::size_t k = 0; k < 5000; ++k) {
    field.x[k] = std::complex<float>(sent.symbols[0][(k + 2048 - 5) % 2048]);
    field.y[k] = std::complex<float>(sent.symbols[1][k % 2048]);
  }
  test::add_noise(field, from_db(-3.0));
  const Alignment alignment = align(field, 50, 4950, sent.symbols, test::fft());
  CHECK(alignment.found(0));
  CHECK(alignment.found(1));
  CHECK(alignment.source == std::array<int, 2>{0, 1});
  CHECK(alignment.delay == std::array<long, 2>{5, 0});
}

TEST_CASE("Long rows are aligned near and far, and where most of a row is far") {
  const std::size_t count = 8192;
  const auto sent = test::random_symbols(Modulation::kQam16, count);
  for (const long delay : {-128L, -7L, 0L, 5L, 128L, 129L, 3000L, -3000L}) {
    CAPTURE(delay);
    Field<float> field(count, test::kRate);
    place(field, 0, sent.symbols[1], delay, 1);
    place(field, 1, sent.symbols[0], 0, 0);
    test::add_noise(field, from_db(-9.0));
    const Alignment alignment = align(field, 50, count - 50, sent.symbols, test::fft());
    CHECK(alignment.source == std::array<int, 2>{1, 0});
    CHECK(alignment.delay == std::array<long, 2>{delay, 0});
    CHECK(alignment.found(0));
    CHECK(alignment.found(1));
  }
  Field<float> field = test::at_symbol_rate(sent.symbols), late(count, test::kRate);
  place(late, 0, sent.symbols[0], 1000, 0);
  std::copy(late.x.begin() + 3000, late.x.end(), field.x.begin() + 3000);
  CHECK(align(field, 50, count - 50, sent.symbols, test::fft()).delay[0] == 1000);
}

TEST_CASE("Errors are those of the decision bit by bit, in every format, from any place, without pilots") {
  for (std::size_t format = 0; format < constellations().size(); ++format) {
    if (constellations()[format].empty()) continue;
    const Modulation modulation(format);
    const auto sent = test::random_symbols(modulation, 640);
    auto field = test::at_symbol_rate(sent.symbols);
    test::add_noise(field, 0.2);
    const auto per_symbol = static_cast<std::size_t>(bits_per_symbol(modulation));
    for (const std::size_t start : {std::size_t{0}, std::size_t{333}}) {
      const std::size_t spacing = start == 0 ? 0 : 32;
      std::vector<std::complex<float>> received;
      for (std::size_t k = 0; k < 1001; ++k) received.push_back(field.x[(start + k) % 640]);
      ErrorCount wanted;
      for (std::size_t k = 0; k < received.size(); ++k) {
        const std::size_t index = (start + k) % 640;
        if (spacing > 0 && index % spacing == 0) continue;
        const Symbols one(1, std::complex<double>(received[k]));
        const Bits decided = decide_bits(modulation, one, false);
        for (std::size_t b = 0; b < per_symbol; ++b)
          wanted.errors += decided[b] != sent.bits[0][index * per_symbol + b];
        wanted.bits += per_symbol;
      }
      const ErrorCount count = count_errors(received, {start, 640}, sent.bits[0], modulation, {spacing});
      CHECK(count.errors == wanted.errors);
      CHECK(count.bits == wanted.bits);
      CHECK(count.errors > 20);
    }
  }
}

TEST_CASE("One PRBS on both polarisations, shifted, is aligned at the short delay") {
  test::Sent sent;
  for (std::size_t p = 0; p < 2; ++p) {
    sent.bits[p] = prbs(15, 2 * 32767, p * 8000);
    sent.symbols[p] = map_bits(Modulation::kQpsk, sent.bits[p], false);
  }
  const auto result = score(test::at_symbol_rate(sent.symbols), sent, {Modulation::kQpsk, false});
  REQUIRE(result);
  CHECK(!result->swapped);
  CHECK(result->delay_symbols == std::array<long, 2>{0, 0});
  CHECK(result->both.errors == 0);
}

TEST_CASE("Both outputs on one polarisation, or none, is said and not counted") {
  const auto sent = test::random_symbols(Modulation::kQpsk, 4000),
             strange = test::random_symbols(Modulation::kQpsk, 4000, 9);
  Field<float> field(4000, test::kRate);
  place(field, 0, sent.symbols[1], 0, 0);
  place(field, 1, sent.symbols[1], 1, 0);
  std::vector<std::string> warnings;
  CHECK(!score(field, sent, {Modulation::kQpsk, false}, &warnings));
  REQUIRE(warnings.size() == 1);
  CHECK(warnings[0] == "both outputs carry transmitted polarisation Y, the other is lost; no BER is given");
  CHECK(!score(test::at_symbol_rate(strange.symbols), sent, {Modulation::kQpsk, false}, &warnings));
  REQUIRE(warnings.size() == 2);
  CHECK(warnings[0] == "no lock: output X matches nothing that was sent; no BER is given");
}

TEST_CASE("A truth that does not fit is refused") {
  auto sent = test::random_symbols(Modulation::kQpsk, 4000);
  const Field<float> field = test::at_symbol_rate(sent.symbols);
  CHECK_THROWS_WITH_AS(
      score(field, sent, {Modulation::kQam16, false}),
      "the capture's truth has 8000 bits a polarisation where 4000 symbols of signal.modulation = "
      "16qam have 16000",
      InputError);
  sent.symbols[1].pop_back();
  CHECK_THROWS_AS(score(field, sent, {Modulation::kQpsk, false}), InputError);
}

TEST_CASE("Cycle slips are counted and cost a few symbols, not the rest of the frame") {
  const auto sent = test::random_symbols(Modulation::kQpsk, 8192);
  Field<float> field = test::at_symbol_rate(sent.symbols);
  for (std::size_t k = 3000; k < 8192; ++k) field.x[k] *= std::complex<float>(0, 1);
  for (std::size_t k = 5000; k < 8192; ++k) field.y[k] *= std::complex<float>(-1, 0);
  const auto result = score(field, sent, {Modulation::kQpsk, false});
  REQUIRE(result);
  CHECK(result->cycle_slips == 2);
  CHECK(result->both.errors <= 2 * 2 * kSlipBlock);
}

TEST_CASE("A rotation that the whole row shares is no cycle slip") {
  // Just under and over half a quarter turn, with noise that blurs each block's angle by 2 degrees.
  const auto sent = test::random_symbols(Modulation::kQpsk, 8192);
  for (const double degrees : {44.0, 45.0, 46.0, 134.0}) {
    Field<float> field = test::at_symbol_rate(sent.symbols);
    auto random = RandomStreams(5).stream("noise");
    for (auto* row : field.rows())
      for (auto& a : *row)
        a = std::complex<float>(std::complex<double>(a) * std::polar(1.0, degrees * kPi / 180.0) +
                                0.4 * random.complex_normal());
    const auto result = score(field, sent, {Modulation::kQpsk, false});
    REQUIRE(result);
    CHECK(result->cycle_slips == 0);
    CHECK(result->snr_db == doctest::Approx(-20.0 * std::log10(0.4)).epsilon(0.01));
  }
}

TEST_CASE("Differential decoding shrugs off slips and quarter turns") {
  for (const auto modulation : {Modulation::kQpsk, Modulation::kQam16}) {
    const auto sent = test::random_symbols(modulation, 8192, 0, true);
    Field<float> field = test::at_symbol_rate(sent.symbols);
    for (std::size_t k = 0; k < 8192; ++k)
      field.x[k] *= k < 3000 ? std::complex<float>(0, 1) : std::complex<float>(-1, 0);
    const auto result = score(field, sent, {modulation, true});
    REQUIRE(result);
    CHECK(result->polarisation[0].errors <= 2);  // the symbol at the slip alone
    CHECK(result->polarisation[1].errors == 0);
    CHECK(result->cycle_slips == 1);
  }
}

TEST_CASE("Counted errors in white noise lie in the 99.9 % interval round theory, plain and differential") {
  for (const auto modulation : {Modulation::kQpsk, Modulation::kQam16})
    for (const bool differential : {false, true}) {
      CAPTURE(differential);
      const auto sent = test::random_symbols(modulation, 60000, 0, differential);
      const double snr = theory_snr(modulation, 1e-2);
      Field<float> field = test::at_symbol_rate(sent.symbols);
      test::add_noise(field, 1.0 / snr);
      for (auto* row : field.rows())
        for (auto& a : *row) a *= 0.37f;  // the scale must be found blindly
      const auto result = score(scale_to_constellation(std::move(field), modulation, 0, 60000), sent,
                                {modulation, differential});
      REQUIRE(result);
      // Differential errors come in pairs, which doubles the variance of their count: sqrt(2) of the
      // interval.
      const double theory =
          differential ? theory_ber_differential(modulation, snr) : theory_ber(modulation, snr);
      const Interval interval = clopper_pearson(result->both.errors, result->both.bits, 0.999);
      const double stretch = differential ? std::sqrt(2.0) : 1.0, ber = result->both.ber();
      CHECK(theory > ber - stretch * (ber - interval.low));
      CHECK(theory < ber + stretch * (interval.high - ber));
      // SNR from 60000 symbols a polarisation: 1/sqrt(120000) = 0.013 dB; four of them.
      CHECK(std::abs(result->snr_db - to_db(snr)) < 0.05);
    }
}

TEST_CASE("Signal power by moments is right whatever the noise") {
  for (const auto modulation : {Modulation::kQpsk, Modulation::kQam16})
    for (const double snr_db : {6.0, 14.0, 30.0}) {
      Field<float> field = test::at_symbol_rate(test::random_symbols(modulation, 60000).symbols);
      test::add_noise(field, from_db(-snr_db));
      // Fourth moments of 60000 samples: well below 1 % in the 16QAM case, which is the worse.
      CHECK(signal_power(field.x, modulation) == doctest::Approx(1.0).epsilon(0.025));
    }
}
