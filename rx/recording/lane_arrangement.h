// Lanes in the wrong places: which ones, told by what lets the receiver lock.
#pragma once

#include <array>
#include <string>
#include <vector>

#include "rx/receiver.h"
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

/// The first with which the receiver locks on a capture, where symbols are known with at most so many of
/// their bits wrong; as recorded when that locks or none does.
LaneArrangement arrangement_that_locks(const Receiver& receiver, const Capture& capture,
                                       double most_errors = 0.5);

/// Where the receiver found no lock on a capture, or more than a tenth of its known bits wrong: a warning in
/// `result` that says what is wrong with its lanes, told by what the receiver locks on instead in the first
/// 2^17 samples. None where that is nothing, where a lane holds no signal, or for Gaussian symbols. Where
/// symbols are known, no more than 0.4 of the errors may then be left (of half the bits a fifth): with one
/// lane of each pair in its place and the other guessed, half of them would be. Takes up to twelve
/// receptions.
void name_lane_fault(const Receiver& receiver, const Capture& capture, ReceiverResult& result);

}  // namespace cohlink
