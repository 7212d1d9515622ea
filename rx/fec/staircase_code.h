// The staircase code of ITU-T G.709.2 Annex A: component words, blocks, encoder.
#pragma once

#include <array>
#include <cstdint>
#include <span>
#include <vector>

#include "rx/fec/galois_field.h"

namespace cohlink::fec::staircase {

// A block has 512 rows of 510 bits, of which 478 are information. Word r of block i is a column of block i -
// 1 (its left half, 512 bits; words 0 and 1 have none and are shortened) and row r of block i (its right
// half).
inline constexpr int kRows = 512, kColumns = 510, kInformation = 478, kParity = 32;
inline constexpr int kLeft = 512, kLength = kLeft + kColumns;
inline constexpr int kBlockBits = kRows * kColumns, kBlockInformation = kRows * kInformation;

/// Column of the block before that word r takes as its left half; below zero: none.
constexpr int left_column(int word) { return word - 2; }

/// Bits of a block: bit c mod 64 of rows[r][c / 64]; columns 510 and 511 are zero.
struct Block {
  std::array<std::array<std::uint64_t, 8>, kRows> rows{};
  bool at(int row, int column) const { return rows[row][column / 64] >> (column % 64) & 1; }
  void flip(int row, int column) { rows[row][column / 64] ^= std::uint64_t{1} << (column % 64); }
};

/// Syndromes of the 512 words of a block.
using Syndromes = std::array<std::uint32_t, kRows>;

/// Extended BCH(1022,990), three errors, GF(2^10) with x^10 + x^3 + 1. Parity-check column of i = 1 to 1022:
/// [b; b^3; b^5; F(b); not F(b)], b the element whose bits are those of i, F(b) = b2 !b1 !b0 | !b2 b1 | !b2
/// !b1 b0; rows from bit 0 up. Places: i = 1021, 1022, 1 to 510, then 511 + order of the right half. The
/// standard orders the right half by a table (A.2) that was not to be had, and in their natural order the
/// last 32 columns cannot be solved for (rank 19). Here columns are walked from 509 down and each that is
/// independent of those kept becomes parity; the others are information, in order.
class Component {
 public:
  static const Component& get();

  std::span<const std::uint32_t> columns() const { return columns_; }
  /// Numbers, 0 to 509, of the right half's columns in the order in which they stand in a row.
  std::span<const int> right_order() const { return right_order_; }

  /// The most that bounded-distance decoding finds: places of up to three errors whose columns sum to
  /// `syndrome`, and how many; -1 where there are none such.
  int decode(std::uint32_t syndrome, std::array<int, 3>& places) const;

  /// Adds what a row of a block gives to the syndrome of its word.
  std::uint32_t right_syndrome(std::span<const std::uint64_t, 8> row) const;
  /// What the columns of a block give to the words of the next one.
  Syndromes left_syndromes(const Block& block) const;
  /// The 32 parity bits that make a syndrome.
  std::uint32_t parity(std::uint32_t syndrome) const;

 private:
  using Element = GaloisField::Element;
  Component();
  void order_right_half();
  void tabulate_roots();
  int locate(std::uint32_t syndrome, std::array<Element, 3>& elements) const;
  int two_roots(Element s1, Element d, std::array<Element, 3>& roots) const;
  int three_roots(Element s1, Element s2, Element s3, std::array<Element, 3>& roots) const;

  GaloisField field_{10, 0b10000001001};
  std::vector<std::uint32_t> columns_, solver_;
  std::vector<int> right_order_, place_of_;    // of an element; -1: none
  std::vector<Element> quadratic_;             // a root of y^2 + y = c; 0 for none and for c = 0
  std::vector<std::array<Element, 3>> cubic_;  // roots of z^3 + z = c; equal ones: fewer than three
  std::vector<std::array<std::uint32_t, 256>> right_byte_;  // of byte n of a row
};

/// Encodes block after block from a block of zeros.
class Encoder {
 public:
  /// Fills in columns 478 to 509.
  void operator()(Block& block);

 private:
  Syndromes left_{};
};

}  // namespace cohlink::fec::staircase
