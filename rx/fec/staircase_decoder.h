// Decoding of the staircase code: iterations over a window of blocks, by decisions alone.
#pragma once

#include <optional>
#include <vector>

#include "rx/fec/staircase_code.h"

namespace cohlink::fec::staircase {

struct DecoderParameters {
  int window = 7;  // blocks that are still open to correction, at least 2
  int sweeps = 8;  // over the window when a block enters
};

/// Takes hard decisions block by block and gives decoded blocks, later. In a sweep the words of the newest
/// block are decoded first; a word that has not changed since it failed is left alone, and a correction in a
/// block that is gone counts as a failure. B. P. Smith, A. Farhood, A. Hunt, F. R. Kschischang and J. Lodge,
/// J. Lightwave Technol. 30(1) 110 (2012). The stream begins after a block of zeros, which the decoder knows.
class Decoder {
 public:
  explicit Decoder(const DecoderParameters& parameters = {});

  /// Blocks put in until the first comes out.
  int delay() const { return parameters_.window - 1; }

  /// The block that went in delay() blocks earlier, nothing before that.
  std::optional<Block> operator()(const Block& block);

  /// Whether every word of the block given last checked when it left: no errors but those of other code
  /// words.
  bool clean() const { return clean_; }

  /// Sweeps that changed anything when the last block entered; the first that changes nothing is the end of
  /// them.
  int needed() const { return needed_; }

 private:
  // A block and the words that have their right half in it.
  struct Step {
    Block block;
    Syndromes syndromes{}, failed{};
  };
  Step& at(long step) { return steps_[static_cast<std::size_t>(step) % steps_.size()]; }
  bool sweep();
  bool decode_word(long step, int word);
  void flip(long step, int word, int place);

  DecoderParameters parameters_;
  std::vector<Step> steps_;
  long newest_ = -1;
  bool clean_ = true;
  int needed_ = 0;
};

}  // namespace cohlink::fec::staircase
