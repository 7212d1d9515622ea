#include "sim/signal/frame_layout.h"

#include <doctest/doctest.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <stdexcept>
#include <string>

#include "sim/signal/random.h"
#include "sim/signal/scenario/errors.h"
#include "sim/signal/shaping.h"
#include "sim/transmitter/transmitter.h"

using namespace cohlink;

namespace {

Scenario scenario_of(std::initializer_list<const char*> settings) {
  Scenario scenario;
  for (const char* setting : settings) scenario.set(setting);
  return scenario;
}

std::size_t count(const FrameLayout& layout, SymbolRole role, std::size_t symbols) {
  std::size_t found = 0;
  for (std::size_t k = 0; k < symbols; ++k) found += layout.role(k) == role;
  return found;
}

}  // namespace

TEST_CASE("the 400ZR super-frame leaves room for its code words and for nothing else") {
  // OIF-400ZR-01.0 (from memory): 49 sub-frames of 3,712 symbols hold 10,976 words of the inner code, 128
  // bits each, 8 bits a symbol of both polarisations.
  const FrameLayout layout = frame_layout(scenario_of({"signal.frame=400zr", "signal.symbols=181888"}));
  CHECK(layout.period() == 181888);
  CHECK(count(layout, SymbolRole::kPayload, layout.period()) == 10976 * 128 / 8);
  CHECK(layout.payload_share() == doctest::Approx(10976 * 16 / 181888.0).epsilon(1e-12));
  for (std::size_t subframe = 0; subframe < 49; ++subframe)
    for (std::size_t k = 0; k < 3712; ++k)
      if (k < 11 || k % 32 == 0) REQUIRE(layout.role(3712 * subframe + k) == SymbolRole::kKnown);
  CHECK(count(layout, SymbolRole::kKnown, layout.period()) == 49 * (10 + 3712 / 32));
  CHECK(count(layout, SymbolRole::kAlignment, 3712) == 22);
  CHECK(layout.role(11) == SymbolRole::kAlignment);
  CHECK(layout.role(33) == SymbolRole::kAlignment);  // the 22nd, past the pilot at 32
  CHECK(layout.role(34) == SymbolRole::kReserved);
  CHECK(layout.role(3712 + 11) == SymbolRole::kPayload);
  // A short one keeps the first sub-frame's word.
  const FrameLayout shorter = frame_layout(scenario_of({"signal.frame=400zr", "signal.symbols=33408"}));
  CHECK(shorter.period() == 33408);
  CHECK(count(shorter, SymbolRole::kPayload, 33408) == 33408 - 9 * 126 - 98);
}

TEST_CASE("known symbols are outer points of every format, as many bits random as a fair sequence has") {
  const FrameLayout layout = frame_layout(scenario_of({"signal.frame=400zr", "signal.symbols=33408"}));
  for (const char* name : {"qpsk", "8qam", "16qam", "64qam"}) {
    CAPTURE(name);
    const Modulation modulation = modulation_named(name);
    const auto outer = known_points(modulation);
    for (std::size_t i = 0; i < 4; ++i) {  // a square, no point further out
      CHECK(std::abs(outer[(i + 1) % 4] - outer[i] * std::complex<double>(0, 1)) < 1e-12);
      for (const auto& point : constellation(modulation)) CHECK(std::abs(point) < std::abs(outer[i]) + 1e-12);
    }
    const KnownSymbols known = known_symbols_of_block(modulation, layout);
    CHECK(known.places.size() == 126);
    std::complex<double> common = 0.0;
    for (std::size_t m = 0; m < 126; ++m) common += known.symbols[0][m] * std::conj(known.symbols[1][m]);
    CHECK(std::abs(common) < 4.0 * std::sqrt(126.0) * std::norm(outer[0]));
  }
  // Squared radius of the corner: 18 of 10 in 16QAM, 98 of 42 in 64QAM.
  CHECK(std::norm(known_points(Modulation::kQam16)[0]) == doctest::Approx(1.8));
  CHECK(std::norm(known_points(modulation_named("64qam"))[0]) == doctest::Approx(98.0 / 42.0));
  CHECK_THROWS_AS(known_points(Modulation::kGaussian), std::invalid_argument);
}

TEST_CASE("known symbols of shaped formats are of about their mean power, not their corners") {
  // Of 64 points drawn by exp(-nu r^2) with 4.3 bits the mean square is 9.229 in units of half the grid, and
  // the squares 2, 18, 50 and 98 of the diagonals are 0.217, 1.950, 5.42 and 10.6 times that; of 16 points
  // with 3.3 bits it is 4.667, and 2 and 18 are 0.429 and 3.86 times that (both worked out apart, in NumPy).
  const Modulation modulation = shaped(modulation_named("64qam"), 4.3);
  CHECK(std::norm(known_points(modulation)[0]) == doctest::Approx(1.95041).epsilon(1e-3));
  CHECK(std::norm(known_points(shaped(Modulation::kQam16, 3.3))[0]) ==
        doctest::Approx(0.428586).epsilon(1e-3));
}

TEST_CASE("a row has its known symbols where the layout says, its data between them, and their bits") {
  const Modulation modulation = modulation_named("64qam");
  const FrameLayout layout = frame_layout(scenario_of(
      {"signal.frame=free", "signal.symbols=16384", "signal.pilot_spacing=16", "signal.preamble_symbols=100",
       "signal.preamble_spacing=2048", "signal.modulation=64qam"}));
  RandomStream random = RandomStreams(1).stream("bits-x");
  Bits bits(6 * data_symbols(layout, 16384));
  for (auto& b : bits) b = static_cast<std::uint8_t>(random.bits() & 1u);
  const Bits data = bits;
  const Symbols row = map_with_frame(modulation, bits, layout, 16384, 1);
  CHECK(bits == decide_bits(modulation, row, false));
  const KnownSymbols known = known_symbols_of_block(modulation, layout);
  CHECK(known.places.size() == 100 + 128 - 7);
  std::size_t next = 0, wrong = 0;
  for (std::size_t k = 0; k < row.size(); ++k) {
    const auto place = std::lower_bound(known.places.begin(), known.places.end(), k % 2048);
    if (layout.role(k) == SymbolRole::kKnown)
      wrong += row[k] != known.symbols[1][static_cast<std::size_t>(place - known.places.begin())];
    else
      wrong += !std::equal(data.begin() + static_cast<std::ptrdiff_t>(6 * next),
                           data.begin() + static_cast<std::ptrdiff_t>(6 * next + 6),
                           bits.begin() + static_cast<std::ptrdiff_t>(6 * k)),
          ++next;
  }
  CHECK(wrong == 0);
  Bits few(12);
  CHECK_THROWS_AS(map_with_frame(modulation, few, layout, 16384, 0), std::invalid_argument);
}

TEST_CASE("known symbols raise no launch power: the payload gives way to them") {
  FftCache fft(FftPlanning::kEstimate, "");
  for (const auto kind : {ModulatorKind::kIdeal, ModulatorKind::kIq}) {
    TransmitterParameters p;
    p.modulation = modulation_named("64qam");
    p.symbols = 16384;
    p.layout = {4, 64, 2048};  // pilots at every fourth symbol: 36 % more power if nothing gave way
    p.modulator.kind = kind;
    const TransmittedFrame sent = transmit(p, RandomStreams(1), fft);
    // The data's own power has a variance of 0.38 a symbol; four standard errors of 2 x 12,000 of them.
    CHECK(mean_power(sent.field) == doctest::Approx(1e-3).epsilon(4.0 * std::sqrt(0.38 / 24000)));
  }
}

namespace {

// Settings, the key that is at fault, and what the message says.
struct Refusal {
  std::vector<const char*> settings;
  const char *key, *says;
};

const std::vector<Refusal> kRefusals = {
    {{"signal.frame=400zr"}, "signal.symbols", "66816 = 18"},
    {{"signal.frame=400zr", "signal.symbols=185600"}, "signal.symbols", "whole super-frames"},
    {{"signal.frame=400zr", "signal.symbols=66816", "signal.pilot_spacing=64"},
     "signal.pilot_spacing",
     "every 32"},
    {{"signal.frame=400zr", "signal.symbols=66816", "signal.preamble_symbols=20"},
     "signal.preamble_symbols",
     "only with signal.frame = free"},
    {{"signal.frame=400zr", "signal.symbols=66816", "signal.differential=true"},
     "signal.frame",
     "signal.differential = false"},
    {{"signal.frame=400zr", "signal.symbols=66816", "signal.modulation=gaussian"},
     "signal.frame",
     "Gaussian"},
    {{"signal.frame=400zr", "signal.symbols=7424"}, "signal.symbols", "at least 256"},
    {{"signal.frame=free"}, "signal.pilot_spacing", "at least 2"},
    {{"signal.frame=free", "signal.pilot_spacing=30"}, "signal.pilot_spacing", "must divide"},
    {{"signal.frame=free", "signal.pilot_spacing=32", "signal.preamble_spacing=5000"},
     "signal.pilot_spacing",
     "must divide signal.preamble_spacing"},
    {{"signal.frame=free", "signal.pilot_spacing=32", "signal.preamble_spacing=96000"},
     "signal.preamble_spacing",
     "must divide signal.symbols"},
    {{"signal.frame=free", "signal.pilot_spacing=32", "signal.preamble_symbols=40000"},
     "signal.preamble_symbols",
     "more than half"},
    {{"signal.frame=free", "signal.pilot_spacing=128", "signal.preamble_spacing=2048",
      "signal.preamble_symbols=64"},
     "signal.preamble_spacing",
     "too few known symbols"},
};

}  // namespace

TEST_CASE("keys of a frame that do not fit each other are refused in one line that says what would") {
  for (const Refusal& c : kRefusals) {
    Scenario scenario;
    for (const char* setting : c.settings) scenario.set(setting);
    CAPTURE(c.says);
    try {
      frame_layout(scenario);
      FAIL_CHECK("accepted");
    } catch (const InputError& error) {
      CHECK(error.key() == c.key);
      CHECK(std::string(error.what()).find(c.says) != std::string::npos);
    }
  }
}
