// What Chase decoders of extended codes share: many words side by side, one a lane, each with its least
// reliable places found and its syndrome summed.
#pragma once

#include <array>
#include <cstddef>
#include <cstdint>
#include <span>

namespace cohlink::fec {

/// Words in a batch.
inline constexpr int kLanes = 32;
/// Least reliable places that are kept of every word.
inline constexpr int kRanked = 8;

/// Log-likelihood ratios of one place of all words, above zero for bit 0. From -127 to 127: seven bits of
/// magnitude leave eight of a 15-bit key to the place.
using SoftPlaces = std::array<std::int8_t, kLanes>;

/// Of every lane: the kRanked least reliable places in order, as keys magnitude 256 + place, and the sum of
/// the parity-check columns of the places whose hard decision is 1.
struct RankedWords {
  std::array<std::array<std::int16_t, kLanes>, kRanked> keys;
  std::array<std::uint16_t, kLanes> syndromes;
  std::array<std::uint16_t, kLanes> odd;  // ones in the whole word, modulo 2

  int place(int rank, int lane) const { return keys[rank][lane] & 255; }
  int magnitude(int rank, int lane) const { return keys[rank][lane] >> 8; }
};

/// `words`: up to 256 places, `columns` beside them. Chosen for this processor.
void rank_words(std::span<const SoftPlaces> words, std::span<const std::uint16_t> columns, RankedWords& out);

/// The same as compiled for one instruction set, "portable", "avx2" or "avx512"; null where this processor
/// lacks it.
using RankFunction = void (*)(std::span<const SoftPlaces>, std::span<const std::uint16_t>, RankedWords&);
RankFunction named_rank_function(const char* name);

}  // namespace cohlink::fec
