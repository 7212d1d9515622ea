// The symbols of a frame that a receiver knows by its layout, laid onto the rows that it has.
#pragma once

#include <array>
#include <complex>
#include <cstddef>
#include <optional>
#include <vector>

#include "sim/signal/field.h"
#include "sim/signal/frame_layout.h"

namespace cohlink {

/// The layout of signal.frame, where it has one and the receiver may use it (dsp.pilots).
std::optional<FrameLayout> usable_frame(const Scenario& scenario);

class FrameKnowledge {
 public:
  FrameKnowledge(Modulation modulation, const FrameLayout& layout)
      : layout_(layout), block_(known_symbols_of_block(modulation, layout)) {}

  const FrameLayout& layout() const { return layout_; }
  const KnownSymbols& block() const { return block_; }

  /// Training and pilots among the symbols [first, last) of a row whose symbol `start` begins a block; their
  /// places are those in the row.
  KnownSymbols in_row(std::size_t first, std::size_t last, std::size_t start) const;

 private:
  FrameLayout layout_;
  KnownSymbols block_;
};

/// y conj(s) of the known symbols of X and of Y, in the order of their places; symbol 0 of the field is
/// symbol `origin` of the row.
using KnownProducts = std::array<std::vector<std::complex<double>>, 2>;
KnownProducts known_products(const Field<float>& symbols, const KnownSymbols& known, std::size_t origin = 0);

/// Brings both rows to the amplitude at which known symbols have theirs, by the products of neighbouring
/// products, which neither phase nor noise biases.
void scale_to_known(Field<float>& symbols, const KnownSymbols& known);

/// Carrier offset left on rows of one sample a symbol [cycles a symbol]: from neighbouring pilots, then, its
/// turn being known well enough, from every sixteenth.
double known_offset(const Field<float>& symbols, const KnownSymbols& known, std::size_t spacing);

}  // namespace cohlink
