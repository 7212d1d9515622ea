// Pseudo-random bit sequences of ITU-T O.150 (1996).
#pragma once

#include <cstddef>

#include "sim/signal/constellation.h"

namespace cohlink {

/// `count` bits of the 2^order - 1 sequence, order 15 (x^15 + x^14 + 1), 23 (x^23 + x^18 + 1) or
/// 31 (x^31 + x^28 + 1), all inverted as ITU-T O.150 clause 5 has them; `start` bits into the period,
/// counted from the all-ones register. std::invalid_argument for any other order.
Bits prbs(int order, std::size_t count, std::size_t start = 0);

}  // namespace cohlink
