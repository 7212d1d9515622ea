// The receiver's half of the pulse shape.
#pragma once

#include <utility>

#include "rx/blocks/overlap_save.h"
#include "sim/signal/pulse.h"

namespace cohlink {

struct Block;
struct BlockSetting;

/// Multiplies by the pulse's amplitude spectrum (real: its own conjugate), gain 1 at the carrier.
/// D. O. North, RCA report PTR-6C (1943); Proakis, Digital Communications, ch. 4.
class MatchedFilter {
 public:
  MatchedFilter(const PulseShape& shape, double sample_rate, const Execution& execution);
  Field<float> operator()(Field<float> signal) const { return filter_(std::move(signal)); }

  /// Samples at each end that miss input.
  std::size_t reach() const { return filter_.reach(); }

  /// Of one sample, both rows.
  Operations cost() const { return filter_.cost(); }

  /// Symbols from the centre beyond which less than 2e-7 of the pulse's energy lies.
  static double span_symbols(const PulseShape& shape);

 private:
  OverlapSaveFilter filter_;
};

/// As a block of the chain.
Block matched_filter_block(const BlockSetting& setting);

}  // namespace cohlink
