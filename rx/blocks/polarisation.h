// The ideal chain's stand-ins for the adaptive equaliser: polarisations separated from the truth, and
// one sample a symbol taken at the known instants.
#pragma once

#include "sim/signal/field.h"
#include "sim/signal/record/capture.h"

namespace cohlink {

struct Block;
struct BlockSetting;

/// Applies the inverse of the path's Jones matrix at the frequency nearest the carrier; the gain common to
/// both rows is left to later scaling. Known data: only for reference chains. InputError when the capture
/// has no Jones matrix in its truth, or a singular one.
Field<float> genie_polarisation(const Field<float>& signal, const Truth* truth);

/// Samples 0, m, 2m, ...: with m samples a symbol, the symbols' centres.
Field<float> decimate(const Field<float>& signal, std::size_t m);

/// As blocks of the chain.
Block genie_polarisation_block(const BlockSetting& setting);
Block decimate_block(const BlockSetting& setting);

}  // namespace cohlink
