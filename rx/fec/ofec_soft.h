// Soft decoding of the words of oFEC.
#pragma once

#include <span>

#include "rx/fec/ofec_code.h"

namespace cohlink::fec::ofec {

/// LLR steps to one unit, which is the mean magnitude of the channel's.
inline constexpr int kUnit = 32;

struct SoftStage {
  int ranked =
      7;  // least reliable places tried, 4 to 8; half of the 2^ranked patterns can lead to an even word
  int beta = 10;  // what a bit gets that no competing word disputes [steps]
  int clip = 70;  // most that is passed on [steps]
};

/// Chase-Pyndiah decoding of kLanes words: the extrinsic value of every place, from the two likeliest words
/// among those found that differ in it. R. M. Pyndiah, IEEE Trans. Commun. 46(8) 1003 (1998); D. Chase, IEEE
/// Trans. Inf. Theory 18(1) 170 (1972). `words`: kLength places, LLRs from -127 to 127. A lane in which no
/// word was found gets zeros. Returns the lanes whose hard decisions were a word already.
LaneBits decode_soft(std::span<const SoftPlaces, kLength> words, const SoftStage& stage,
                     std::span<SoftPlaces, kLength> extrinsic);

/// The same of words that are ranked already, as compiled for one instruction set, "portable", "avx2" or
/// "avx512"; null where this processor lacks it.
using DecodeFunction = void (*)(std::span<const SoftPlaces, kLength>, const RankedWords&, const SoftStage&,
                                std::span<SoftPlaces, kLength>);
DecodeFunction named_decode_function(const char* name);

/// Metric of the likeliest word found in each lane: the sum of the magnitudes of the LLRs that it
/// contradicts; -1 where none was found.
std::array<int, kLanes> least_metrics(std::span<const SoftPlaces, kLength> words, int ranked);

}  // namespace cohlink::fec::ofec
