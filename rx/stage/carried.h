// What the chain carries from block to block.
#pragma once

#include <cstddef>
#include <optional>
#include <vector>

#include "rx/quality/residual_offset.h"
#include "rx/stage/result.h"
#include "rx/stage/stage.h"
#include "sim/signal/field.h"
#include "sim/signal/record/capture.h"

namespace cohlink {

/// Symbols a capture must leave after its edges are cut.
inline constexpr std::size_t kFewestScored = 256;

/// InputError where a capture of `symbols` symbols that loses `lost` at each end leaves fewer.
void refuse_short(std::size_t symbols, std::size_t lost);

/// What blocks leave to those behind them and to the judgement at the end, beside the signal.
struct ChainState {
  double cut = 0.0;             // symbols at each end that miss input or were met before lock
  std::size_t averaged = 0;     // symbols in one phase estimate
  CarrierRemoved carrier = {};  // so far
  bool carrier_known = true;    // else nothing can tell how an offset of the lanes turns
  bool line_lost = false;       // the offset was searched for and not found
  bool clock_lost = false;      // no clock was found where one was looked for
  bool singular = false;        // both outputs carry one polarisation
  bool pilots_lost = false;     // an output shows none, or both show those of one polarisation
  std::optional<std::size_t> frame_start = {};  // symbol that begins a block of the frame; absent: not found
  std::optional<std::size_t> superframe_start = {};  // that begins a super-frame; absent: not found
};

struct Carried : ChainState {
  Field<float> signal;
  const Truth* truth;  // null when the capture has none
  double symbol_rate;  // Hz
  ReceiverResult& result;
  const Continuation* from = nullptr;     // null: a start from nothing
  bool inside = false;                    // a recording has begun before this piece
  std::vector<StageSignal> signals = {};  // of the block at work, if any are to be kept

  double samples_per_symbol() const { return signal.sample_rate / symbol_rate; }
  std::size_t symbols() const;
  std::size_t first() const;
  std::size_t last() const { return symbols() - first(); }
  /// Cuts so many symbols more from each end; InputError where too few are left.
  void require(double more_cut);
};

}  // namespace cohlink
