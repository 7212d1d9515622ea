// Lanes in the wrong places: which ones, told by what lets the receiver lock.
#pragma once

#include <array>
#include <string>
#include <vector>

#include "sim/signal/record/capture.h"

namespace cohlink {

/// Output lane l (XI XQ YI YQ) is input lane `from[l]`.
struct LaneArrangement {
  std::array<std::size_t, 4> from = {0, 1, 2, 3};
  std::string fault;  // what the recording then has wrong; "" for the arrangement as it is
};

/// All arrangements that a receiver can tell apart. Of the 24 orders and 16 signs of four lanes, those that
/// differ by a quarter turn of a polarisation or by the polarisations' names are the same to it; what is left
/// is which lanes pair up (three ways) and which pairs are mirrored (four): twelve, the first as recorded. A
/// mirrored pair is one whose I and Q are swapped or one of whose lanes is inverted: these cannot be told
/// from each other, nor need they be. Where the path neither mixes polarisations nor disperses, wrong pairs
/// and mirrored ones look as good as right ones and lock too: only known symbols can tell then.
const std::vector<LaneArrangement>& lane_arrangements();

Capture rearranged(const Capture& capture, const LaneArrangement& arrangement);

}  // namespace cohlink
