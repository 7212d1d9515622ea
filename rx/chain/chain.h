// The order of the receiver's blocks: what dsp.chain may say.
#pragma once

#include <cstddef>
#include <string>
#include <vector>

namespace cohlink {

/// Why `chain` cannot work, or "" when it can. Blocks: deskew, orthonormalise, resample, dispersion or
/// back-propagation, clock,
/// matched-filter, equaliser, genie-polarisation, decimate, frequency, phase. Each at most once, frequency
/// once before (coarse) and once after (fine) the signal comes to one sample a symbol; a block may be left
/// out where the chain still makes sense.
std::string chain_fault(const std::vector<std::string>& chain);

/// Whether block i is a frequency block at two samples a symbol: it then works from the spectrum's shape.
bool is_coarse_frequency(const std::vector<std::string>& chain, std::size_t i);

/// Names of all blocks, in signal order.
const std::vector<std::string>& chain_blocks();

}  // namespace cohlink
