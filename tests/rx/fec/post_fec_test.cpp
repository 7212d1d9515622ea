#include "rx/fec/post_fec.h"

#include <doctest/doctest.h>

#include <cmath>
#include <stdexcept>
#include <string>
#include <vector>

#include "rx/quality/bit_likelihood.h"
#include "sim/signal/random.h"
#include "sim/signal/units.h"
#include "tests/rx/generator.h"

using namespace cohlink;

namespace {

std::vector<float> noisy(std::size_t bits, double sigma) {
  std::vector<float> llr(bits);
  RandomStreams(13).stream("noise").fill_normals(0, sigma, std::span<float>(llr));
  for (float& x : llr) x += 1.0F;
  return llr;
}

}  // namespace

TEST_CASE(
    "Every code clears what lies below its threshold and not what lies above, from any number of bits") {
  struct Case {
    const char* code;
    double below, above;  // sigma of +-1 in white noise: BER Q(1 / sigma)
    std::uint64_t blocks;
  };
  // 1e-4 and 1e-2; 4.4e-3 and 6e-3; 1.15e-2 and 1.5e-2; 1.95e-2 and 2.6e-2.
  for (const Case& c : {Case{"rs-g709", 0.2689, 0.4298, 16},
                        {"staircase-g709.2", 0.3817, 0.3980, 1},
                        {"cfec-400zr", 0.44, 0.4608, 5},
                        {"ofec", 0.4843, 0.5147, 42}}) {
    CAPTURE(c.code);
    const std::size_t bits = fec::least_bits(c.code);
    const fec::PostFec clear = fec::decode_flipped(c.code, noisy(bits + bits / 3, c.below));
    CHECK(clear.errors == 0);
    CHECK(clear.lost_blocks == 0);
    CHECK(clear.blocks == c.blocks);
    CHECK_FALSE(clear.before.bunch());  // white noise
    CHECK(clear.mean_iterations() > 0.0);
    const fec::PostFec lost = fec::decode_flipped(c.code, noisy(bits + bits / 3, c.above));
    CHECK(lost.lost_blocks > c.blocks / 2);
    CHECK(lost.ber() > 1e-3);
    CHECK(lost.bits == clear.bits);
    CHECK(lost.mean_iterations() >= clear.mean_iterations());
    CHECK(lost.mean_iterations() <= fec::most_iterations(c.code));
    CHECK(fec::decode_flipped(c.code, noisy(bits - 1, c.below)).blocks == 0);
  }
  CHECK_THROWS_AS(fec::least_bits("none"), std::invalid_argument);
}

TEST_CASE("A stage of a decoder that is left out leaves errors where the whole leaves none") {
  struct Case {
    const char* code;
    std::size_t stages, wholes;
    double sigma;
  };
  // Closer to the thresholds than above: 4.8e-3, 1.15e-2, 2.05e-2. Half of the words cost oFEC 0.05 to 0.1 dB
  // (docs/codes.md), which shows beyond its threshold alone.
  const std::string mild = "half of the words tried";
  for (const Case& c : {Case{"rs-g709", 0, 1, 0.2689},
                        {"staircase-g709.2", 1, 4, 0.3861},
                        {"cfec-400zr", 3, 1, 0.44},
                        {"ofec", 4, 4, 0.4893}}) {
    CAPTURE(c.code);
    const auto llr = noisy(c.wholes * fec::least_bits(c.code), c.sigma);
    const auto stages = fec::decoder_stages(c.code);
    CHECK(stages.size() == c.stages);
    CHECK(fec::decode_flipped(c.code, llr).errors == 0);
    for (const std::string& stage : stages) {
      CAPTURE(stage);
      const fec::PostFec left = fec::decode_flipped(c.code, llr, {}, stage);
      CHECK(left.bits > 0);
      CHECK((stage == mild || left.errors > 0));
      MESSAGE(stage << ": " << left.ber());
    }
  }
  const auto llr = noisy(4 * fec::least_bits("ofec"), 0.4965);  // 2.2e-2
  CHECK(fec::decode_flipped("ofec", llr, {}, mild).lost_blocks >
        fec::decode_flipped("ofec", llr).lost_blocks);
  CHECK_THROWS_AS(fec::decode_flipped("ofec", llr, {}, "outer code"), std::invalid_argument);
}

TEST_CASE("Iterations are counted to the last that had anything to do") {
  // Not an error: none. Words that fail to the end: all of oFEC's three soft and four hard ones.
  const std::size_t bits = fec::least_bits("ofec");
  CHECK(fec::decode_flipped("ofec", std::vector<float>(bits, 1.0F)).iterations == 0);
  CHECK(fec::most_iterations("ofec") == 7);
  const fec::PostFec lost = fec::decode_flipped("ofec", noisy(bits, 0.56));  // 3.7e-2
  CHECK(lost.lost_blocks == lost.blocks);
  CHECK(lost.mean_iterations() == 7.0);
}

TEST_CASE("Dispersion is 1 of errors one by one, and the length of runs of errors that come in runs") {
  // Runs of L errors at random: the variance of a sum of n / L trials of L is L times that of n trials.
  const std::size_t bits = fec::least_bits("rs-g709") * 40;
  for (const std::size_t run : {1, 16}) {
    RandomStream random(31);
    std::vector<float> llr(bits, 1.0F);
    for (std::size_t n = 0; n + run <= bits; n += run)
      if (random.uniform() < 1e-2) std::fill_n(llr.begin() + static_cast<std::ptrdiff_t>(n), run, -1.0F);
    const fec::ErrorStretches before = fec::decode_flipped("rs-g709", llr).before;
    const auto count = static_cast<double>(before.count);
    CHECK(count == std::floor(static_cast<double>(bits) / 1024.0));
    const double error = std::sqrt(2.0 / (count - 1.0) + 1.0 / (count * 10.24 / static_cast<double>(run)));
    CHECK(before.dispersion() / static_cast<double>(run) == doctest::Approx(1.0).epsilon(4.0 * error));
    CHECK(before.bunch() == (run > 1));
  }
}

TEST_CASE("LLRs of QPSK are the closed form, and their signs are the bit errors of 16QAM") {
  // QPSK at unit power: ln of exp(-(x - a)^2 / N0) over exp(-(x + a)^2 / N0), 4 a x / N0 with a = 1 /
  // sqrt(2).
  const Symbols sent = {constellation(Modulation::kQpsk)[0], constellation(Modulation::kQpsk)[3]};
  const std::vector<std::complex<float>> received = {{0.3F, -0.2F}, {-0.9F, 0.1F}};
  for (const double noise : {0.25, 1e-4}) {  // of the second the far point weighs nothing beside the near one
    const auto llr = flipped_likelihoods(received, sent, noise, Modulation::kQpsk);
    REQUIRE(llr.size() == 4);
    double from_llr = 0.0, from_form = 0.0;
    for (std::size_t k = 0; k < 2; ++k) {
      from_form += 4.0 * std::sqrt(0.5) / noise *
                   (received[k].real() * (sent[k].real() > 0 ? 1 : -1) +
                    received[k].imag() * (sent[k].imag() > 0 ? 1 : -1));
      from_llr += llr[2 * k] + llr[2 * k + 1];
    }
    CHECK(from_llr == doctest::Approx(from_form).epsilon(1e-5));
  }

  const auto data = test::random_symbols(Modulation::kQam16, 4096, 1);
  Field<float> field = test::at_symbol_rate(data.symbols);
  test::add_noise(field, from_db(-13.0), 1);
  const Symbols as_received(field.x.begin(), field.x.end());
  const Bits decided = decide_bits(Modulation::kQam16, as_received, false);
  const auto soft = flipped_likelihoods(field.x, data.symbols[0], from_db(-13.0), Modulation::kQam16);
  int differ = 0;
  for (std::size_t n = 0; n < soft.size(); ++n) differ += (soft[n] < 0.0F) != (decided[n] != data.bits[0][n]);
  CHECK(differ < 4);  // on borders, where the exact ratio and the nearest point part ways by a hair
}
