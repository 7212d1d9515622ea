#include "rx/fec/post_fec.h"

#include <cmath>
#include <stdexcept>
#include <string>
#include <vector>

#include "rx/fec/cfec.h"
#include "rx/fec/ofec_decoder.h"
#include "rx/fec/reed_solomon.h"
#include "rx/fec/scatter.h"

namespace cohlink::fec {
namespace {

constexpr std::size_t kWordsInRow = 16, kRowBits = 8 * ReedSolomon::kLength * kWordsInRow;
constexpr int kInterleavedPairs = 42, kInterleaved = kInterleavedPairs * ofec::kPairBits;
// Read before any is counted: what a decoder's knowledge of the beginning helps lies within a window or two.
constexpr int kFirstPairs = 2 * ofec::kReach, kFirstBlocks = 10;

// LLRs in steps, round and round.
class Ring {
 public:
  explicit Ring(std::span<const float> llr) : steps_(llr.size()) {
    double sum = 0.0;
    for (const float x : llr) sum += std::abs(x);
    ofec::quantise(llr, sum > 0.0 ? sum / static_cast<double>(llr.size()) : 1.0, steps_);
  }
  std::int8_t next() {
    const std::int8_t step = steps_[at_];
    at_ = at_ + 1 == steps_.size() ? 0 : at_ + 1;
    return step;
  }
  /// Wholes of so many bits, at least one of which there is.
  std::size_t wholes(std::size_t bits) const { return steps_.size() / bits; }

 private:
  std::vector<std::int8_t> steps_;
  std::size_t at_ = 0;
};

void count(PostFec& total, std::uint64_t errors, std::uint64_t bits) {
  ++total.blocks;
  total.lost_blocks += errors > 0;
  total.errors += errors;
  total.bits += bits;
}

void count(PostFec& total, const staircase::Block& block) {
  std::uint64_t errors = 0;
  for (const auto& row : block.rows) {
    for (int word = 0; word < 7; ++word) errors += __builtin_popcountll(row[word]);
    errors += __builtin_popcountll(row[7] & ((std::uint64_t{1} << (staircase::kInformation % 64)) - 1));
  }
  count(total, errors, staircase::kBlockInformation);
}

PostFec decode_reed_solomon(Ring ring, const Execution& execution) {
  const ReedSolomon code;
  PostFec total;
  for (std::size_t row = 0; row < ring.wholes(kRowBits); ++row) {
    execution.check();
    std::array<std::array<std::uint8_t, ReedSolomon::kLength>, kWordsInRow> words{};
    for (int byte = 0; byte < ReedSolomon::kLength; ++byte)
      for (auto& word : words)
        for (int bit = 0; bit < 8; ++bit)
          word[byte] = static_cast<std::uint8_t>(word[byte] << 1 | (ring.next() < 0));
    for (auto& word : words) {
      code.decode(word);
      std::uint64_t errors = 0;
      for (int byte = 0; byte < ReedSolomon::kInformation; ++byte) errors += __builtin_popcount(word[byte]);
      count(total, errors, 8 * ReedSolomon::kInformation);
    }
  }
  return total;
}

PostFec decode_staircase(Ring ring, const Execution& execution) {
  staircase::Decoder decoder;
  PostFec total;
  const auto blocks = static_cast<int>(ring.wholes(staircase::kBlockBits));
  for (int n = 0; n < kFirstBlocks + blocks + decoder.delay(); ++n) {
    execution.check();
    staircase::Block block;
    for (int row = 0; row < staircase::kRows; ++row)
      for (int column = 0; column < staircase::kColumns; ++column)
        if (ring.next() < 0) block.flip(row, column);
    const auto decoded = decoder(block);
    if (n >= kFirstBlocks + decoder.delay()) count(total, *decoded);
  }
  return total;
}

PostFec decode_cfec(Ring ring, const Execution& execution) {
  cfec::Decoder decoder;
  PostFec total;
  const auto blocks = static_cast<std::uint64_t>(cfec::kBlocks) * ring.wholes(cfec::kFrameBits);
  std::vector<SoftPlaces> frame(cfec::kFrameBits / kLanes);
  for (int out = 0; total.blocks < blocks;) {
    execution.check();
    for (int word = 0; word < cfec::kUnits; ++word)
      for (int k = 0; k < Hamming::kLength; ++k)
        frame[Hamming::kLength * (word / kLanes) + k][word % kLanes] = ring.next();
    for (const staircase::Block& block : decoder(frame))
      if (out++ >= kFirstBlocks && total.blocks < blocks) count(total, block);
  }
  return total;
}

const std::vector<int>& ofec_interleaver() {
  static const std::vector<int> order = scattered_order(kInterleaved, "ofec-interleaver");
  return order;
}

PostFec decode_ofec(Ring ring, const Execution& execution) {
  ofec::Decoder decoder;
  PostFec total;
  const auto pairs = static_cast<int>(kInterleavedPairs * ring.wholes(kInterleaved));
  std::vector<ofec::PairValues> values(kInterleavedPairs);
  for (int n = 0; n < kFirstPairs + pairs + decoder.delay(); ++n) {
    execution.check();
    const int place = n % kInterleavedPairs;
    if (place == 0)
      for (const int bit : ofec_interleaver()) {
        const ofec::Place to = ofec::sent_place(bit % ofec::kPairBits);
        values[bit / ofec::kPairBits][to.entry][to.lane] = ring.next();
      }
    const auto pair = decoder(values[place]);
    if (n < kFirstPairs + decoder.delay()) continue;
    std::uint64_t errors = 0;
    for (int k = 0; k < ofec::kInformation; ++k) errors += __builtin_popcount((*pair)[k]);
    count(total, errors, ofec::kPairInformation);
  }
  return total;
}

struct Row {
  std::string_view code;
  std::size_t least_bits;
  PostFec (*decode)(Ring, const Execution&);
};
constexpr Row kRows[] = {{"rs-g709", kRowBits, decode_reed_solomon},
                         {"staircase-g709.2", staircase::kBlockBits, decode_staircase},
                         {"cfec-400zr", cfec::kFrameBits, decode_cfec},
                         {"ofec", kInterleaved, decode_ofec}};

const Row& row_of(std::string_view code) {
  for (const Row& row : kRows)
    if (row.code == code) return row;
  throw std::invalid_argument("no decoder for the code '" + std::string(code) + "'");
}

}  // namespace

PostFec& PostFec::operator+=(const PostFec& other) {
  blocks += other.blocks;
  lost_blocks += other.lost_blocks;
  bits += other.bits;
  errors += other.errors;
  return *this;
}

std::size_t least_bits(std::string_view code) { return row_of(code).least_bits; }

PostFec decode_flipped(std::string_view code, std::span<const float> llr, const Execution& execution) {
  const Row& row = row_of(code);
  return llr.size() < row.least_bits ? PostFec{} : row.decode(Ring(llr), execution);
}

}  // namespace cohlink::fec
