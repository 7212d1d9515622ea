// The order of the receiver's blocks: what dsp.chain may say.
#pragma once

#include <string>
#include <vector>

namespace cohlink {

/// Why `chain` cannot work, or "" when it can. Blocks: orthonormalise, resample, dispersion, matched-filter,
/// equaliser, genie-polarisation, decimate, frequency, phase. Each at most once; a block may be left out
/// where the chain still makes sense.
std::string chain_fault(const std::vector<std::string>& chain);

/// Names of all blocks, in signal order.
const std::vector<std::string>& chain_blocks();

}  // namespace cohlink
