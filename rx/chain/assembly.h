// A receiver as its scenario describes it: the blocks of dsp.chain, and what is judged behind them.
#pragma once

#include <cstddef>
#include <string>
#include <vector>

#include "rx/chain/table.h"
#include "rx/quality/score.h"
#include "rx/stage/block.h"

namespace cohlink {

/// A block of a chain and its row in the table.
struct ChainLink {
  const BlockRow* row;
  Block block;
};

/// InputError for a chain that cannot work.
std::vector<ChainLink> assembled_chain(const Scenario& scenario, const Execution& execution);

/// The one block of that name or title. InputError where there is none, or more than one.
std::size_t find_link(const std::vector<ChainLink>& chain, const std::string& name);

/// InputError where a code is to be decoded (fec.decode) that cannot be.
ScoreParameters scoring_of(const Scenario& scenario);

/// InputError for captures that leave fewer symbols than the code is decoded in, both polarisations and all
/// frames that are decoded together.
void refuse_undecodable(double symbols, const ScoreParameters& scoring);

}  // namespace cohlink
