#include "rx/stage/decoder_cost.h"

#include <cmath>
#include <stdexcept>
#include <string>

#include "rx/fec/cfec.h"
#include "rx/fec/ofec_decoder.h"
#include "rx/fec/reed_solomon.h"

namespace cohlink {
namespace {

// Every place is compared with the least reliable ones known so far.
Operations ranking(int places, int ranked) { return {0, 1.0 * places * ranked, 0}; }

// A word of oFEC in a soft iteration (ofec_soft.cpp), `ranked` places tried: of each test pattern the metric
// and the table of error pairs, with two more magnitudes; then the likeliest word, and the rivals of each
// place.
Operations soft_word(int ranked) {
  const double patterns = std::exp2(ranked - 1);
  const Operations listed{0, patterns * ranked, 0}, found{0, 2 * patterns, patterns},
      likeliest{0, patterns, 0};
  const double rivals_of_pairs = 2 * patterns, rivals_of_ranked = patterns * ranked,
               rivals_of_likeliest = 2 * patterns;
  const Operations rivals{0, rivals_of_pairs + rivals_of_ranked + rivals_of_likeliest, 0};
  // Of every place two differences and two limits.
  const Operations written{0, 4.0 * fec::ofec::kLength, 0};
  const Operations combined =
      fec::ofec::kLength * Operations{1, 1, 0};  // the channel's and the weighted rest
  return combined + ranking(fec::ofec::kLength, ranked) + listed + found + likeliest + rivals + written;
}

// Every bit of oFEC stands in two words of 256.
Operations ofec() {
  constexpr double kWordsOfBit = 2.0 / fec::ofec::kLength;
  const fec::ofec::DecoderParameters p;
  Operations all;
  for (std::size_t i = 0; i < p.soft.size(); ++i) all += kWordsOfBit * soft_word(p.ranked);
  return all + p.hard * kWordsOfBit * Operations{0, 0, 1};
}

// Words of the window, each read from the table of three errors in every sweep, for the bits of one block.
Operations staircase() {
  const fec::staircase::DecoderParameters p;
  const double words = 1.0 * p.window * p.sweeps * fec::staircase::kRows;
  return words / (fec::staircase::kRows * fec::staircase::kColumns) * Operations{0, 0, 1};
}

// Inner words: ranked, and of each pattern its metric, the place that the syndrome names, and the least so
// far.
Operations cfec() {
  const fec::cfec::DecoderParameters p;
  const double patterns = std::exp2(p.ranked - 1);
  const Operations inner = ranking(fec::Hamming::kLength, p.ranked) + Operations{0, 5 * patterns, patterns};
  constexpr double kOuterOfInner = 1.0 * fec::Hamming::kInformation / fec::Hamming::kLength;
  return 1.0 / fec::Hamming::kLength * inner + kOuterOfInner * staircase();
}

// Syndromes, the key equation by as many steps as there are parity bytes, and the search of all places for
// its roots: Berlekamp and Massey, Chien.
Operations reed_solomon() {
  using Code = fec::ReedSolomon;
  constexpr double kProducts = Code::kParity * Code::kLength + 2 * Code::kParity * Code::kCorrectable +
                               Code::kCorrectable * Code::kLength;
  return kProducts / (8 * Code::kLength) * Operations{0, 0, 1};
}

}  // namespace

Operations decoder_operations(std::string_view code) {
  if (code == "ofec") return ofec();
  if (code == "cfec-400zr") return cfec();
  if (code == "staircase-g709.2") return staircase();
  if (code == "rs-g709") return reed_solomon();
  throw std::invalid_argument("no decoder of a code called " + std::string(code));
}

}  // namespace cohlink
