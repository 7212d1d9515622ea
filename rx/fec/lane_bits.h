// Bits of kLanes words in one machine word, one a lane, and rearrangements of lanes.
#pragma once

#include <cstdint>
#include <cstring>

#include "rx/fec/soft_words.h"

namespace cohlink::fec {

/// Lane l in bit l.
using LaneBits = std::uint32_t;
static_assert(kLanes == 32);

/// Lane l of the result is lane l ^ mask of `bits`. `mask` < kLanes.
constexpr LaneBits exchange_lanes(LaneBits bits, unsigned mask) {
  constexpr LaneBits kKept[] = {0x55555555, 0x33333333, 0x0f0f0f0f, 0x00ff00ff, 0x0000ffff};
  for (int step = 0; step < 5; ++step)
    if (mask >> step & 1) bits = (bits >> (1 << step) & kKept[step]) | (bits & kKept[step]) << (1 << step);
  return bits;
}

/// The lanes whose value is below zero.
inline LaneBits negative_lanes(const SoftPlaces& values) {
  std::uint64_t words[4];
  std::memcpy(words, values.data(), sizeof words);
  LaneBits bits = 0;
  for (int w = 0; w < 4; ++w)  // the product moves the eight sign bits side by side to the top
    bits |= static_cast<LaneBits>(((words[w] >> 7 & 0x0101010101010101) * 0x0102040810204080) >> 56)
            << (8 * w);
  return bits;
}

}  // namespace cohlink::fec
