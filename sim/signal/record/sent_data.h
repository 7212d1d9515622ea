// What was sent, as captures keep it: which point of the constellation each symbol is.
#pragma once

#include <array>
#include <cstdint>
#include <optional>
#include <vector>

#include "sim/signal/constellation.h"
#include "sim/signal/record/capture.h"
#include "sim/signal/record/dimension_scales.h"
#include "sim/signal/record/hdf5.h"
#include "sim/signal/record/hdf5_write.h"

namespace cohlink {

/// Symbols as numbers of the points of a format, X and then Y.
struct SentCodes {
  Modulation format;
  std::vector<std::uint8_t> codes;
};

/// Nothing where they are not all points of one format, to the last bit.
std::optional<SentCodes> sent_codes(const Truth& truth);

/// The bits of each point, [points, bits]: its number, first bit most significant.
Bits point_labels(Modulation format);

/// Writes /truth/symbol_codes with the constellation that they point into, what bits its points stand for
/// and, where they are shaped, how often each is sent; /truth/symbols, the points themselves, where they are
/// those of no format (Gaussian symbols). Beside them /truth/bits where there are any.
void write_sent(h5::NewFile& file, const Truth& truth, Axes& axes);

/// The symbols of either kind of file, format 2 and earlier knew points alone. InputError for a code beyond
/// the constellation, and for points that are not finite.
std::array<Symbols, 2> read_sent_symbols(const h5::File& file);

/// Symbols, and bits where the file has them: as many for each symbol, each 0 or 1, or InputError.
void read_sent(const h5::File& file, Truth& truth);

}  // namespace cohlink
