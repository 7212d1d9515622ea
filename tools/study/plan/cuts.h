// Ways to make a receiver cheaper: settings that may shrink, blocks that may be missing.
#pragma once

#include <string>
#include <vector>

#include "sim/signal/scenario/scenario.h"

namespace cohlink {

/// One setting and the values it may be cut to, or a block that may be left out.
struct Cut {
  std::string key;                  // "" of a block
  std::string block;                // as the chain's table names it, "frequency (coarse)"; "" of a key
  std::vector<std::string> values;  // as the scenario has it, then ever deeper cuts
  std::string reader = {};          // of a key: the block that reads it, where it is one

  /// "dsp.equaliser_taps" or "frequency (coarse)".
  const std::string& name() const { return block.empty() ? key : block; }
};

/// By place in a list of cuts: which of its values is taken.
using Rungs = std::vector<std::size_t>;

/// All cuts of the scenario's receiver: taps, test phases, windows, overlap and steps of the blocks in its
/// chain, bits of its converters, second stages, and each block that can be left out. Tied keys are not.
std::vector<Cut> receiver_cuts(const Scenario& scenario);

/// "KEY=v1|v2|v3": a key of the receiver or its front end, cut to these, in this order. InputError, beginning
/// with `origin`, for others and for values that the key does not accept.
Cut parse_cut(const std::string& text, const Scenario& scenario, const std::string& origin);

/// Whether a setting is cut whose block is left out: the same receiver again.
bool says_twice(const std::vector<Cut>& cuts, const Rungs& rungs);

/// The scenario with every cut at its rung.
Scenario with_cuts(const Scenario& scenario, const std::vector<Cut>& cuts, const Rungs& rungs);

/// "dsp.equaliser_taps=7, without clock"; "nothing".
std::string cuts_text(const std::vector<Cut>& cuts, const Rungs& rungs);

}  // namespace cohlink
