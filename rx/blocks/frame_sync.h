// Frame synchronisation: where the known symbols lie, before anything is equalised.
#pragma once

#include <cstddef>
#include <optional>

#include "rx/blocks/frame_knowledge.h"
#include "sim/signal/execution/fft.h"
#include "sim/signal/field.h"

namespace cohlink {

struct Block;
struct BlockSetting;

struct FramePlace {
  double peak_to_rms = 0.0;  // of the correlation, over all other places; below kFrameLock: not found
  std::size_t start = 0;     // symbol of the row that begins a block
  std::optional<std::size_t> superframe;  // that begins a super-frame; absent: no alignment word was seen
  double cycles_per_symbol = 0.0;  // carrier offset left, unambiguous within half a turn a pilot spacing
  bool conjugate = false;          // the rows are those sent, conjugated: I and Q have changed places
};

/// What correlations of unrelated rows, were they Gaussian, exceed at one place in e^36 (4e15).
inline constexpr double kFrameLock = 6.0;

/// Products of samples a pilot spacing apart, r[k + P] conj(r[k]) summed over the two rows, do not care about
/// carrier phase and hardly about lasers' linewidth; the sum over the rows is that of a unitary path whatever
/// its polarisation, so that the products of both polarisations' known symbols add up. Laid onto one block
/// (all repeat), they are correlated with the products of known symbols, at every symbol and half way between
/// (T. M. Schmidl and D. C. Cox, IEEE Trans. Commun. 45(12) 1613, 1997, for products as timing and frequency
/// metric). The peak's angle is the offset's turn over a spacing. Where differential delay spreads it, the
/// middle is taken. Correlations with the conjugate tell exchanged I and Q. The alignment word, where the
/// layout has one, then tells the super-frame's first block: the one where its power is largest.
class FrameSync {
 public:
  FrameSync(Modulation modulation, const FrameLayout& layout, const FftCache& fft);

  /// `signal`: two samples a symbol, symbol k at sample 2 k; [first, last) is used.
  FramePlace operator()(const Field<float>& signal, std::size_t first, std::size_t last) const;

 private:
  struct Range {
    std::size_t first, last;
  };
  std::vector<std::complex<double>> correlate(const Field<float>& signal, const Range& range,
                                              bool conjugate) const;
  double word_power(const Field<float>& signal, std::size_t begin, const FramePlace& place) const;
  std::optional<std::size_t> find_superframe(const Field<float>& signal, const Range& range,
                                             const FramePlace& place) const;

  FrameKnowledge knowledge_;
  KnownSymbols word_;
  ComplexRow<double> spectrum_[2];  // of the known products, and of their conjugates
  FftCache fft_;
};

/// As a block of the chain: removes the offset, and leaves the frame's place to the blocks behind it.
Block frame_sync_block(const BlockSetting& setting);

}  // namespace cohlink
