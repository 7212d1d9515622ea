#include <doctest/doctest.h>

#include <algorithm>
#include <numeric>
#include <set>
#include <vector>

#include "rx/fec/cfec.h"
#include "rx/fec/ofec_decoder.h"
#include "rx/fec/parity.h"
#include "sim/signal/random.h"

using namespace cohlink;
using namespace cohlink::fec;
using namespace cohlink::fec::staircase;

namespace {

Block random_block(RandomStream& random) {
  Block block;
  for (auto& row : block.rows) {
    for (auto& bits : row) bits = random.bits();
    row[7] &= (std::uint64_t{1} << 30) - 1;  // 478 columns
  }
  return block;
}

// Bits of a share `ber`, the same of a seed whatever they are added to.
Block errors(double ber, std::uint64_t seed) {
  Block block;
  RandomStream random(seed);
  for (int row = 0; row < kRows; ++row)
    for (int column = 0; column < kColumns; ++column)
      if (random.uniform() < ber) block.flip(row, column);
  return block;
}

Block sum(const Block& a, const Block& b) {
  Block out = a;
  for (int row = 0; row < kRows; ++row)
    for (int word = 0; word < 8; ++word) out.rows[row][word] ^= b.rows[row][word];
  return out;
}

int ones(const Block& block) {
  int count = 0;
  for (const auto& row : block.rows)
    for (const auto bits : row) count += __builtin_popcountll(bits);
  return count;
}

std::uint32_t syndrome_bit_by_bit(const Block& before, const Block& block, int word) {
  const auto columns = Component::get().columns();
  std::uint32_t s = 0;
  for (int k = 0; k < kLeft && word >= 2; ++k)
    if (before.at(k, word - 2)) s ^= columns[k];
  for (int k = 0; k < kColumns; ++k)
    if (block.at(word, k)) s ^= columns[kLeft + k];
  return s;
}

}  // namespace

TEST_CASE("Staircase: the component's columns are powers in GF(2^10) and make every word even") {
  const GaloisField field(10, 0b10000001001);
  // Minimal polynomials of alpha^3 and alpha^5, worked out apart from this program.
  for (const auto& [root, polynomial] : {std::pair{3, 0b10000001111}, {5, 0b10100001101}}) {
    unsigned value = 0;
    for (int power = 0; power <= 10; ++power)
      if (polynomial >> power & 1) value ^= field.power(root * power % 1023);
    CHECK(value == 0);
  }
  std::set<unsigned> elements;
  for (const std::uint32_t column : Component::get().columns()) {
    const auto b = static_cast<GaloisField::Element>(column & 1023);
    CHECK(elements.insert(b).second);
    CHECK((column >> 10 & 1023) == field.cube(b));
    CHECK((column >> 20 & 1023) == field.multiply(field.cube(b), field.multiply(b, b)));
    CHECK(((column >> 30 ^ column >> 31) & 1) ==
          1);  // so the last two rows sum to ones: even words, distance 8
  }
  CHECK(rank_of(Component::get().columns()) == 32);
}

TEST_CASE("Staircase: columns of the right half that carry parity") {
  // In natural order the last 32 columns have rank 19; walking from the last one down leaves these as parity.
  // Both worked out apart from this program.
  const std::vector<int> parity = {0,   256, 382, 384, 432, 440, 444, 446, 447, 448, 464,
                                   472, 476, 478, 479, 480, 488, 492, 494, 495, 496, 498,
                                   499, 500, 502, 503, 504, 505, 506, 507, 508, 509};
  const auto order = Component::get().right_order();
  CHECK(std::equal(parity.begin(), parity.end(), order.begin() + kInformation));
  CHECK(std::is_sorted(order.begin(), order.begin() + kInformation));
  std::vector<std::uint32_t> natural(kColumns);
  for (int c = 0; c < kColumns; ++c) natural[order[c]] = Component::get().columns()[kLeft + c];
  CHECK(rank_of(std::span(natural).last(32)) == 19);
}

TEST_CASE("Staircase: every word that the encoder makes checks") {
  RandomStream random(1);
  Encoder encoder;
  Block before;
  for (int n = 0; n < 3; ++n) {
    Block block = random_block(random);
    const Block information = block;
    encoder(block);
    for (int word = 0; word < kRows; ++word) {
      CHECK(syndrome_bit_by_bit(before, block, word) == 0);
      CHECK(((block.rows[word][7] ^ information.rows[word][7]) & ((std::uint64_t{1} << 30) - 1)) == 0);
    }
    before = block;
  }
}

TEST_CASE("Staircase: a word is mended of every one to three errors, and never to what does not check") {
  const Component& component = Component::get();
  RandomStream random(2);
  int decoded = 0;
  constexpr int kTrials = 20000;
  for (int trial = 0; trial < kTrials; ++trial) {
    std::set<int> wrong;
    const std::size_t count = 1 + static_cast<std::size_t>(trial) % 4;
    while (wrong.size() < count) wrong.insert(static_cast<int>(random.bits() % kLength));
    std::uint32_t s = 0;
    for (const int place : wrong) s ^= component.columns()[place];
    std::array<int, 3> places;
    const int found = component.decode(s, places);
    if (count <= 3) {
      CHECK(found == static_cast<int>(count));
      CHECK(std::set<int>(places.begin(), places.begin() + found) == wrong);
    } else {
      decoded += found >= 0;
    }
  }
  // Four errors are three from a word of weight... 8 at least: never nearer than 4, so never mended wrongly.
  CHECK(decoded == 0);
}

TEST_CASE("Staircase: the decoder does the same to encoded data as to zeros, and mends 4.4e-3") {
  RandomStream random(3);
  Encoder encoder;
  Decoder of_data, of_zeros;
  std::vector<Block> sent;
  for (std::uint64_t n = 0; n < 14; ++n) {
    Block block = random_block(random);
    encoder(block);
    sent.push_back(block);
    const Block noise = errors(4.4e-3, 100 + n);
    const auto data = of_data(sum(block, noise)), zeros = of_zeros(noise);
    REQUIRE(data.has_value() == zeros.has_value());
    if (!data) continue;
    CHECK(ones(sum(sum(*data, sent[n - 6]), *zeros)) == 0);
    CHECK(ones(*zeros) == 0);
    CHECK(of_zeros.clean());
  }
}

TEST_CASE("Staircase: at 6e-3 errors stay, and the decoder knows") {
  Decoder decoder;
  for (std::uint64_t n = 0; n < 10; ++n)
    if (const auto block = decoder(errors(6e-3, 200 + n)); block && n > 7) {
      CHECK(ones(*block) > 300);
      CHECK(!decoder.clean());
    }
}

TEST_CASE("Concatenated code: frames decode to what was encoded, as zeros do") {
  // One frame of data at 1.15e-2, below the threshold, and the zeros with the same noise.
  RandomStream random(5);
  cfec::Encoder encoder;
  cfec::Decoder of_data, of_zeros;
  std::vector<Block> sent, data, zeros;
  for (std::uint64_t n = 0; n < 2; ++n) {
    std::vector<Block> blocks;
    for (int b = 0; b < cfec::kBlocks; ++b) blocks.push_back(random_block(random));
    const cfec::FrameBits frame = encoder(std::span<Block, cfec::kBlocks>(blocks));
    sent.insert(sent.end(), blocks.begin(), blocks.end());
    std::vector<float> values(cfec::kFrameBits);
    RandomStreams(6).stream("noise").fill_normals(n * values.size(), 0.44,
                                                  std::span<float>(values));  // Q(1 / 0.44)
    for (float& x : values) x += 1.0F;
    std::vector<SoftPlaces> llr(frame.size());
    ofec::quantise(values, 1.0, {llr[0].data(), values.size()});
    for (const Block& block : of_zeros(llr)) zeros.push_back(block);
    for (std::size_t k = 0; k < frame.size(); ++k)
      for (int lane = 0; lane < kLanes; ++lane)
        if (frame[k] >> lane & 1) llr[k][lane] = static_cast<std::int8_t>(-llr[k][lane]);
    for (const Block& block : of_data(llr)) data.push_back(block);
  }
  REQUIRE(data.size() == 4);
  REQUIRE(zeros.size() == 4);
  for (std::size_t n = 0; n < data.size(); ++n) {
    CHECK(ones(zeros[n]) == 0);
    CHECK(ones(sum(data[n], sent[n])) == 0);
  }
}
