// Pilot symbols: known to both ends, at regular places in the frame.
#pragma once

#include <cstddef>
#include <cstdint>

#include "sim/signal/constellation.h"
#include "sim/signal/scenario/scenario.h"

namespace cohlink {

/// Whether symbol `index` of a frame is a pilot: the first of every `spacing`; 0 = no pilots.
inline bool is_pilot(std::size_t index, std::size_t spacing) { return spacing > 0 && index % spacing == 0; }

/// The `count` pilots of a frame's polarisation 0 (X) or 1 (Y): points of the whole constellation, from the
/// bits of the O.150 sequence 2^15 - 1; Y starts 10,007 bits ahead. To a blind receiver they are as the
/// payload: power, moments and decision errors of the row stay the constellation's at any spacing, which
/// pilots at the outer corners (mean power 1.8 of 16QAM) would change; of a shaped format they are therefore
/// drawn as its payload is, without a matcher, from a stream of fixed address. std::invalid_argument for
/// Gaussian symbols.
Symbols pilot_symbols(Modulation modulation, std::size_t count, std::size_t polarisation);

/// Payload bits of one polarisation, mapped, with a pilot before every spacing - 1 symbols. `bits` becomes
/// that of the whole row, pilots' bits included. Needs a whole number of spacings, or std::invalid_argument.
Symbols map_with_pilots(Modulation modulation, Bits& bits, std::size_t spacing, std::size_t polarisation);

/// Fewest pilots a frame must hold for the receiver to find them (tests/rx/blocks/pilots_test.cpp).
inline constexpr std::int64_t kFewestPilots = 256;

/// Rejects a signal.pilot_spacing that the rest of [signal] does not allow.
void check_pilots(const Scenario& scenario);

}  // namespace cohlink
