// A function of somebody else's in the place of a block.
#pragma once

#include <cstddef>
#include <functional>

#include "rx/chain/table.h"

namespace cohlink {

/// What such a function is told besides its signal.
struct BlockContext {
  double symbol_rate;         // Hz
  double samples_per_symbol;  // of the signal that comes in
  double sample_rate;         // Hz, of the signal that must go out
  std::size_t first, last;    // symbols [first, last) are whole: those outside have met a filter's edge
  const Truth* truth;         // null when the capture has none
};

/// Signal in, signal out: rows of equal length, sampled as the block in whose place it stands leaves them.
using BlockFunction = std::function<Field<float>(const Field<float>& signal, const BlockContext& context)>;

/// InputError, beginning with `who`, for a signal of somebody else's that is empty, uneven, not finite or not
/// sampled at `wanted` [Hz].
void check_signal(const std::string& who, const Field<float>& signal, double wanted);

/// `function` as a block in the place of `row`, costing nothing that is known and spoiling `edge` symbols at
/// each end. InputError, when it is applied, for a signal that is empty, uneven, not finite or at another
/// rate.
Block user_block(const BlockRow& row, const BlockFunction& function, double edge);

}  // namespace cohlink
