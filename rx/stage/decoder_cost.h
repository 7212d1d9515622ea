// What decoding costs, worked out from the parameters of the decoders of rx/fec and the steps that they take
// (not counted in their loops, as the blocks are).
#pragma once

#include <string_view>

#include "rx/stage/cost.h"

namespace cohlink {

/// For every coded bit: magnitudes added and compared, and tables of the component codes read (look-ups).
/// Sums of bits (syndromes, parities) are exclusive-ors of single gates and not in it; products and quotients
/// of GF(2^8) are look-ups. Decoders that stop early are counted to their last sweep. `code` as fec.code
/// spells it; std::invalid_argument for another.
Operations decoder_operations(std::string_view code);

}  // namespace cohlink
