// The order of the receiver's blocks: what dsp.chain may say.
#pragma once

#include <string>
#include <vector>

namespace cohlink {

/// Why `chain` cannot work, or "" when it can. Blocks are those of the table (table.h), each row of it at
/// most once: frequency once before (coarse) and once after (fine) the signal comes to one sample a symbol. A
/// block may be left out where the chain still makes sense.
std::string chain_fault(const std::vector<std::string>& chain);

/// Names of all blocks, in signal order.
const std::vector<std::string>& chain_blocks();

}  // namespace cohlink
