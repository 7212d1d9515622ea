#include "rx/fec/cfec.h"

#include <algorithm>

#include "rx/fec/scatter.h"

namespace cohlink::fec::cfec {
namespace {

using staircase::kBlockBits;

// Where bit number n of a scattered block stands in the block: row 510 + column.
const std::vector<int>& scatter() {
  static const std::vector<int> places = scattered_order(kBlockBits, "cfec-scatter");
  return places;
}

// The unit that is sent as word w.
const std::vector<int>& unit_of_word() {
  static const std::vector<int> units = [] {
    std::vector<int> order(kUnits);
    for (int n = 0; n < kUnits; ++n) order[(n + 16 * (n % 16)) % kUnits] = n;
    return order;
  }();
  return units;
}

// Calls body(entry, lane, block, row, column) for every bit of a frame that is one of a block's.
template <class Body>
void for_bits(const Body& body) {
  const auto& places = scatter();
  for (int w = 0; w < kUnits; ++w) {
    const int first = Hamming::kInformation * unit_of_word()[w], entry = Hamming::kLength * (w / kLanes);
    const int count = std::min(Hamming::kInformation, kBlocks * kBlockBits - first);
    int block = first / kBlockBits, n = first % kBlockBits;
    for (int k = 0; k < count; ++k, ++n) {
      if (n == kBlockBits) {
        n = 0;
        ++block;
      }
      const int place = places[n];
      body(entry + k, w % kLanes, block, place / staircase::kColumns, place % staircase::kColumns);
    }
  }
}

}  // namespace

FrameBits Encoder::operator()(std::span<staircase::Block, kBlocks> blocks) {
  for (staircase::Block& block : blocks) outer_(block);
  FrameBits frame(kBatches * Hamming::kLength, 0);
  for_bits([&](int entry, int lane, int block, int row, int column) {
    frame[entry] |= LaneBits{blocks[block].at(row, column)} << lane;
  });
  for (int b = 0; b < kBatches; ++b) {
    Hamming::Words words;
    std::copy_n(frame.begin() + b * Hamming::kLength, Hamming::kLength, words.begin());
    inner_.encode(words);
    std::copy(words.begin(), words.end(), frame.begin() + b * Hamming::kLength);
  }
  return frame;
}

std::vector<staircase::Block> Decoder::operator()(std::span<const SoftPlaces> frame) {
  FrameBits decided(kBatches * Hamming::kLength);
  for (int b = 0; b < kBatches; ++b) {
    Hamming::Words words;
    const auto first = static_cast<std::size_t>(b) * Hamming::kLength;
    const auto received =
        std::span<const SoftPlaces, Hamming::kLength>(frame.subspan(first, Hamming::kLength));
    if (ranked_ > 0)
      inner_.decode(received, ranked_, words);
    else
      std::transform(received.begin(), received.end(), words.begin(), negative_lanes);
    std::copy(words.begin(), words.end(), decided.begin() + static_cast<std::ptrdiff_t>(first));
  }
  blocks_.assign(kBlocks, {});
  for_bits([&](int entry, int lane, int block, int row, int column) {
    blocks_[block].rows[row][column / 64] |= std::uint64_t{decided[entry] >> lane & 1} << (column % 64);
  });
  std::vector<staircase::Block> out;
  needed_.clear();
  for (const staircase::Block& block : blocks_)
    if (const auto decoded = outer_(block)) {
      out.push_back(*decoded);
      needed_.push_back(outer_.needed());
    }
  return out;
}

}  // namespace cohlink::fec::cfec
