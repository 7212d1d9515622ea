// Joining a piece of a recording to the one before.
#pragma once

#include <cstddef>
#include <optional>

#include "rx/stage/carried.h"

namespace cohlink {

/// Turns both outputs by quarters onto the piece before (`c.from`), over the symbols that both pieces judge,
/// and gives the first symbol that is new. Nothing where they do not fit: the same samples give the same
/// symbols but for what adaptation and phase estimates differ by, and a slip inside the seam would leave its
/// turn undecided.
std::optional<std::size_t> join(Field<float>& symbols, std::size_t first, const Carried& c);

/// Whether what was sent goes on where the piece before left it, and with the same quarter turns: for known
/// symbols alone to tell. Counts slips, warns of jumps.
void check_sequence(ReceiverResult& result, const Carried& c);

}  // namespace cohlink
