// The decoder of oFEC: soft and then hard iterations along the stream.
#pragma once

#include <optional>
#include <vector>

#include "rx/fec/ofec_soft.h"

namespace cohlink::fec::ofec {

struct SoftIteration {
  double alpha;  // weight of what the other word said
  double beta;   // SoftStage::beta in units
};

struct DecoderParameters {
  int ranked = 7;  // 64 words decoded of every received one; 6 halve the work
  /// Found by a random search at a BER of 2e-2; the values of the literature are for other codes and do
  /// worse.
  std::vector<SoftIteration> soft = {{0.32, 0.25}, {0.42, 0.32}, {0.53, 0.55}};
  double clip = 2.2;  // units
  int hard = 4;       // iterations by decisions alone; they clear what single words leave
  /// Soft and hard ones, which every pair passes.
  int iterations() const { return static_cast<int>(soft.size()) + hard; }
};

/// Takes LLRs pair by pair and gives decided pairs, later. An iteration follows the one before by kReach
/// pairs, so that each sees all that the last has said: none is out of order. The stream begins after pairs
/// of zeros, which the decoder knows, as a real one knows its frame.
class Decoder {
 public:
  explicit Decoder(const DecoderParameters& parameters = {});

  /// Pairs put in until the first comes out.
  int delay() const { return parameters_.iterations() * kReach; }

  /// LLRs in steps (kUnit), -127 to 127. The decided pair that went in delay() pairs earlier; nothing before
  /// that.
  std::optional<PairBits> operator()(const PairValues& llr);

  /// Iterations that the pair given last was in need of: as many as it had passed when all its words checked
  /// for good; all of them where they never did.
  int needed() const { return needed_; }

 private:
  struct Pair {
    PairValues channel, from_new{}, from_old{};  // what words said in which a bit was new, or old
    PairBits decided{};
    int needed = 0;  // the last iteration that met a word that did not check
  };
  Pair& at(long pair) { return pairs_[static_cast<std::size_t>(pair) % pairs_.size()]; }
  // Whether all words of the pair checked already.
  bool soft_iteration(long pair, const SoftIteration& iteration);
  bool hard_iteration(long pair);
  void decide(long pair);

  DecoderParameters parameters_;
  std::vector<Pair> pairs_;
  long next_;
  int needed_ = 0;
};

/// Scales LLRs to unit mean magnitude and writes them in steps, none of them zero, which would favour one
/// bit.
void quantise(std::span<const float> llr, double mean_magnitude, std::span<std::int8_t> out);

}  // namespace cohlink::fec::ofec
