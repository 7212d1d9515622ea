// Distribution matching: fair bits to amplitudes that are not equally likely, and back.
#pragma once

#include <cstddef>
#include <span>
#include <vector>

#include "sim/signal/constellation.h"

namespace cohlink {

/// How often each amplitude stands in a block of `block` of them: nearest to the probabilities, remainders
/// given to the largest. std::invalid_argument where an amplitude would not come at all.
std::vector<std::size_t> composition_of(std::span<const double> probability, std::size_t block);

/// Constant composition: every block holds each amplitude as often as any other block does. Its bits are the
/// block's number among all blocks of that composition in the order of a dictionary, found with whole numbers
/// of any length, so that matching is exact. P. Schulte and G. Boecherer, IEEE Trans. Inf. Theory 62(1) 430
/// (2016), who do it by arithmetic coding; J. P. M. Schalkwijk, IEEE Trans. Inf. Theory 18(3) 395 (1972), for
/// the numbers.
class ConstantCompositionMatcher {
 public:
  /// std::invalid_argument for fewer than two amplitudes or one that never comes.
  explicit ConstantCompositionMatcher(std::vector<std::size_t> composition);

  std::size_t block() const { return block_; }  // amplitudes
  std::size_t bits() const { return bits_; }    // of a block: floor(log2(n! / prod n_i!))
  /// Bits an amplitude that the block's finite length takes from the entropy of its composition.
  double loss() const;

  /// bits() of them to block() numbers of amplitudes; std::invalid_argument for another count.
  std::vector<unsigned> match(std::span<const std::uint8_t> bits) const;
  /// The inverse; std::invalid_argument for amplitudes of another composition.
  Bits dematch(std::span<const unsigned> amplitudes) const;

 private:
  std::vector<std::size_t> composition_;
  std::size_t block_ = 0, bits_ = 0;
};

}  // namespace cohlink
