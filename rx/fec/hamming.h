// The inner code of 400ZR: double-extended Hamming (128,119), decoded softly.
#pragma once

#include <array>
#include <cstdint>
#include <span>
#include <vector>

#include "rx/fec/lane_bits.h"

namespace cohlink::fec {

/// OIF-400ZR: parity-check column of i = sum s_l 2^l is [s_0 .. s_6, s_7, 1] with s_7 = s_0 s_2 | !s_0 !s_1
/// !s_2 | s_0 s_1 !s_2; places are information i = 0..62, 64..94, 96..110, 112..118, 120, 122, 124, then
/// parity i = 63, 95, 111, 119, 121, 123, 125, 126, 127. Distance 4.
class Hamming {
 public:
  static constexpr int kLength = 128, kInformation = 119, kParity = 9;
  using Words = std::array<LaneBits, kLength>;

  Hamming();

  std::span<const std::uint16_t> columns() const { return columns_; }

  /// Fills in the parity of words whose information stands in the first 119 places.
  void encode(Words& words) const;

  /// Chase decoding: half of the 2^ranked patterns of the `ranked` (1 to 8) least reliable places leave an
  /// odd number of errors, of which one is mended; the likeliest of the words so found is taken, what was
  /// received where none is. D. Chase, IEEE Trans. Inf. Theory 18(1) 170 (1972). LLRs from -127 to 127.
  void decode(std::span<const SoftPlaces, kLength> llr, int ranked, Words& words) const;

 private:
  std::uint32_t flips(const RankedWords& ranked_words, std::span<const SoftPlaces, kLength> llr, int lane,
                      int ranked, std::array<std::uint8_t, kRanked + 1>& places) const;

  std::vector<std::uint16_t> columns_;
  std::vector<std::uint32_t> solver_;
  std::vector<std::uint8_t> places_;  // of the column whose lower eight bits these are; kLength: none
};

}  // namespace cohlink::fec
