// What is left of a link's errors when its code has been decoded.
#pragma once

#include <cstddef>
#include <cstdint>
#include <span>
#include <string>
#include <string_view>
#include <vector>

#include "sim/signal/execution/execution.h"

namespace cohlink::fec {

/// How errors fall that are still to be decoded: counted in stretches of kBits consecutive bits.
struct ErrorStretches {
  static constexpr std::uint64_t kBits = 1024;
  std::uint64_t count = 0, errors = 0, squares = 0;  // stretches; errors in all, and their number squared
  ErrorStretches& operator+=(const ErrorStretches& other);
  /// Variance of the errors in a stretch over that of errors that fall one by one (binomial); 1 where there
  /// are fewer than two stretches, or no errors.
  double dispersion() const;
  /// Whether that is more than chance: 1 by four standard errors, sqrt(2 / (count - 1)) each.
  bool bunch() const;
};

/// Counts of decoded information. Errors come in bursts: the blocks that have any are what is independent, or
/// nearly.
struct PostFec {
  std::uint64_t blocks = 0,
                lost_blocks = 0;  // words of RS, blocks of staircase codes, pairs of block rows of oFEC
  std::uint64_t bits = 0, errors = 0;
  /// Summed over blocks, those that changed something: of oFEC soft and hard iterations, of staircase codes
  /// (the outer one of 400ZR) sweeps over the window, of RS 1 where there was anything to mend. A decoder
  /// that stops early does no more than these.
  std::uint64_t iterations = 0;
  ErrorStretches before;  // as received, all that was read
  PostFec& operator+=(const PostFec& other);
  double mean_iterations() const {
    return blocks == 0 ? 0.0 : static_cast<double>(iterations) / static_cast<double>(blocks);
  }
  double ber() const { return bits == 0 ? 0.0 : static_cast<double>(errors) / static_cast<double>(bits); }
};

/// Bits of the smallest whole that a code is decoded in: a row of interleaved words, a block, a frame, an
/// interleaver. `code`: as fec.code spells it. std::invalid_argument for another.
std::size_t least_bits(std::string_view code);

/// The most iterations that a block of it is given. std::invalid_argument for another.
int most_iterations(std::string_view code);

/// Decodes LLRs that are above zero where they lean to what was sent: as if zeros had been sent, which is
/// exact for linear codes and symmetric decoders whatever was sent. So any bits can be decoded, code words or
/// none. The LLRs are read in rings, every block of them counted once: the decoder first reads blocks that it
/// does not count, so that no block has neighbours that it knows beforehand, and the last blocks have the
/// first for neighbours. Interleaving: RS 16 words byte by byte (ITU-T G.975), staircase none, the 400ZR code
/// as cfec.h says, oFEC over 172032 bits by a permutation drawn at random, as the standard's was not to be
/// had. Nothing is counted where there are fewer than least_bits(code). `without`: a stage of the decoder
/// that is left out (std::invalid_argument for one that it has not); "reliabilities" leaves the LLRs their
/// signs.
PostFec decode_flipped(std::string_view code, std::span<const float> llr, const Execution& execution = {},
                       std::string_view without = {});

/// The stages of its decoder that can be left out; none of a decoder that is but one. std::invalid_argument
/// for another code.
std::vector<std::string> decoder_stages(std::string_view code);

}  // namespace cohlink::fec
