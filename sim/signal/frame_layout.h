// What stands where in the frame that is sent: training, pilots, alignment word, payload.
#pragma once

#include <array>
#include <cstddef>
#include <vector>

#include "sim/signal/constellation.h"
#include "sim/signal/scenario/scenario.h"

namespace cohlink {

/// What a symbol is there for. Known: training or pilot, the same in every block. Alignment: known too, in a
/// super-frame's first block alone. Reserved: random, neither known nor counted.
enum class SymbolRole { kPayload, kKnown, kAlignment, kReserved };

/// Blocks of `block` symbols, each led by `training` known ones; of the whole block, every symbol at a
/// multiple of `spacing` is a pilot. `blocks` of them make a super-frame, in whose first one the alignment
/// word and reserved symbols follow the training, between the pilots.
struct FrameLayout {
  std::size_t spacing = 0;  // 0 = no pilots
  std::size_t training = 0;
  std::size_t block = 0;  // 0 = no frame: pilots alone, if any, as pilots.h has them
  std::size_t blocks = 1;
  std::size_t alignment = 0, reserved = 0;

  bool framed() const { return block > 0; }
  bool has_payload_alone() const { return spacing == 0 && !framed(); }
  /// Symbols after which the roles repeat.
  std::size_t period() const;
  /// Of symbol `index`, counted from the beginning of any super-frame.
  SymbolRole role(std::size_t index) const;
  bool is_payload(std::size_t index) const { return role(index) == SymbolRole::kPayload; }
  /// Share of the symbols that carry data.
  double payload_share() const;
};

/// The layout that [signal] asks for; InputError where its keys do not fit each other. OIF-400ZR-01.0 (from
/// memory): sub-frames of 3,712 symbols, 11 training symbols at the head of each and a pilot every 32, the
/// first one both; 22 alignment and 76 reserved symbols in the first of the 49 of a super-frame. That leaves
/// 175,616 symbols, the 10,976 words of 128 bits that a super-frame of DP-16QAM holds. A frame of fewer
/// sub-frames, for short simulations, is ours.
FrameLayout frame_layout(const Scenario& scenario);

/// Rejects what the rest of [signal] has that shaped symbols cannot be drawn with: a sequence of fair bits, a
/// frame whose payload is no whole number of the matcher's blocks.
void check_shaped_data(const Scenario& scenario);

/// The points that known symbols are, by angle, a square: the four outermost of a constellation, so that
/// noise counts least; of a shaped one, whose outermost points would tower over all that is sent, those on
/// the diagonals whose power is nearest the mean. std::invalid_argument for Gaussian symbols.
std::array<std::complex<double>, 4> known_points(Modulation modulation);

/// Symbols both ends know, with their places in a block (known) or in a super-frame (alignment), ascending.
struct KnownSymbols {
  std::vector<std::size_t> places;
  std::array<Symbols, 2> symbols;  // of X and Y
};

/// Training and pilots of a block: known points, two bits each from the O.150 sequence 2^15 - 1, in the order
/// of their places; Y starts 10,007 bits ahead. The standard's own sequences were not to be had.
KnownSymbols known_symbols_of_block(Modulation modulation, const FrameLayout& layout);

/// The alignment word: the bits that follow in that sequence.
KnownSymbols alignment_word(Modulation modulation, const FrameLayout& layout);

/// Mean power of a frame whose payload has unit power: known points have more, or less. 1 for Gaussian
/// symbols, which a neighbouring channel may send without a frame.
double mean_power(const FrameLayout& layout, Modulation modulation);

/// Symbols among `count` that `layout` fills from data: payload and reserved.
std::size_t data_symbols(const FrameLayout& layout, std::size_t count);

/// A row of `count` symbols of polarisation 0 (X) or 1 (Y), whole super-frames, from the bits of its data
/// symbols, which `bits` holds; it becomes that of the whole row. std::invalid_argument where they do not
/// fit.
Symbols map_with_frame(Modulation modulation, Bits& bits, const FrameLayout& layout, std::size_t count,
                       std::size_t polarisation);

}  // namespace cohlink
