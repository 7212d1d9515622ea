// The concatenated code of 400ZR (CFEC): staircase code outside, double-extended Hamming inside.
#pragma once

#include <cstdint>
#include <span>
#include <vector>

#include "rx/fec/hamming.h"
#include "rx/fec/staircase_decoder.h"

namespace cohlink::fec::cfec {

// A frame is 5 staircase blocks and 544 zeros, in 10976 inner words. The standard's permutation of the bits
// of a block was not to be had: bits of a block are scattered over it by a permutation drawn at random, once
// for all, so that what one inner word leaves lies in different outer words. Then units of 119 bits pass a
// convolutional interleaver of depth 16 (unit n goes 16 (n mod 16) places on), closed on itself at the ends
// of the frame, and each becomes an inner word.
inline constexpr int kBlocks = 5, kUnits = 10976, kBatches = kUnits / kLanes;
inline constexpr int kFrameBits = kUnits * Hamming::kLength;
inline constexpr int kFrameInformation = kBlocks * staircase::kBlockInformation;

/// Inner words of a frame: entry 128 (w / 32) + k, lane w mod 32: place k of word w, the words in the order
/// sent.
using FrameBits = std::vector<LaneBits>;

/// Encodes frame after frame from a block of zeros.
class Encoder {
 public:
  /// Fills in the parity of the blocks, whose information stands in columns below 478, and gives the frame.
  FrameBits operator()(std::span<staircase::Block, kBlocks> blocks);

 private:
  Hamming inner_;
  staircase::Encoder outer_;
};

struct DecoderParameters {
  int ranked = 6;  // least reliable places of an inner word that are tried; 0 = as received, not decoded
  staircase::DecoderParameters outer;
};

/// Takes LLRs (kBatches 128 places) frame by frame; gives the blocks that leave the outer decoder meanwhile.
class Decoder {
 public:
  explicit Decoder(const DecoderParameters& parameters = {})
      : ranked_(parameters.ranked), outer_(parameters.outer) {}

  std::vector<staircase::Block> operator()(std::span<const SoftPlaces> frame);

  /// What the inner decoder left to the outer one in the last frame.
  std::span<const staircase::Block> inner_blocks() const { return blocks_; }
  /// Of the blocks given last, the sweeps that the outer decoder needed (staircase::Decoder::needed).
  std::span<const int> needed() const { return needed_; }
  /// Blocks from a frame's going in to the first block of it coming out.
  int delay_blocks() const { return outer_.delay(); }

 private:
  int ranked_;
  Hamming inner_;
  staircase::Decoder outer_;
  std::vector<staircase::Block> blocks_;
  std::vector<int> needed_;
};

}  // namespace cohlink::fec::cfec
