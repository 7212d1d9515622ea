// The open forward error correction code (oFEC) of 400G and faster coherent modules: its words, where their
// bits stand, and its encoder.
#pragma once

#include <array>
#include <cstdint>
#include <span>
#include <vector>

#include "rx/fec/lane_bits.h"

namespace cohlink::fec::ofec {

// A stream of block rows, each of 16 rows and 128 columns, handled in pairs. Row r of block row R is half of
// a code word: 111 new bits and 17 of parity; the other half are bits of earlier pairs, so that every bit
// stands in two words. Open ROADM W-port, OpenZR+ and ITU-T G.709.3 Annex E; the layout as remembered,
// checked for what it must have: every bit in exactly two words, two words with one bit in common at most.
inline constexpr int kColumns = 128, kBlock = 16, kRows = 2 * kBlock;
inline constexpr int kInformation = 111, kLength = 256;  // of a word: new bits, all places
inline constexpr int kPairBits = kRows * kColumns, kPairInformation = kRows * kInformation;
/// The oldest pair that a word reaches back to; the nearest is 3 pairs back.
inline constexpr int kReach = 10;

/// Bits of a pair: entry k, lane 16 (R mod 2) + r: place 128 + k of word r of block row R, which stands in
/// its row r and in column (k rounded down to 16) + (k mod 16) ^ r.
using PairBits = std::array<LaneBits, kColumns>;
using PairValues = std::array<SoftPlaces, kColumns>;

/// Bit number n of a pair as it is sent, row by row: its entry and lane.
struct Place {
  int entry, lane;
};
constexpr Place sent_place(int n) {
  const int row = n / kColumns, column = n % kColumns;
  return {column / kBlock * kBlock + ((column ^ row) % kBlock), row};
}

/// Place k < 128 of the words of pair P: of pair P - 10 + k / 16, entry k, lanes exchanged by this mask (so
/// that words of an even block row hold bits of odd ones).
constexpr int old_pair(int k) { return -kReach + k / kBlock; }
constexpr unsigned old_lanes(int k) { return static_cast<unsigned>(kBlock + k % kBlock); }

/// The word: extended BCH(256,239) of distance 6. Places 0 to 254 are coefficients of x^254 to x^0 of a
/// multiple of x^16 + x^14 + x^13 + x^11 + x^10 + x^9 + x^8 + x^6 + x^5 + x + 1, place 255 makes the whole
/// even.
class Component {
 public:
  static const Component& get();

  /// x^(254 - k) modulo the generator; zero for place 255.
  std::span<const std::uint16_t> columns() const { return columns_; }
  /// The two places, first + 256 second, whose columns sum to `syndrome`; zero where no two do (or syndrome
  /// is zero).
  std::uint16_t pair(std::uint16_t syndrome) const { return pairs_[syndrome]; }
  /// The place whose column is `syndrome`, -1 where there is none.
  int single(std::uint16_t syndrome) const { return singles_[syndrome]; }

 private:
  Component();
  std::vector<std::uint16_t> columns_, pairs_;
  std::vector<std::int16_t> singles_;
};

/// Encodes pair after pair from a beginning of zeros.
class Encoder {
 public:
  /// `information`: entry k, all lanes, k < 111. Returns the whole pair.
  PairBits operator()(std::span<const LaneBits, kInformation> information);

 private:
  std::array<PairBits, kReach> before_{};  // pair P - 10 in place P mod 10
  int pair_ = 0;
};

}  // namespace cohlink::fec::ofec
