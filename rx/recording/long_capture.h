// Captures of any length, received a piece at a time in bounded memory.
#pragma once

#include <cstddef>
#include <functional>
#include <vector>

#include "rx/receiver.h"
#include "rx/recording/piece_sum.h"
#include "sim/signal/record/capture.h"

namespace cohlink {

struct LongResult {
  ReceiverResult total;  // counts and powers of all locked pieces; symbols, stages and taps of the first of
                         // them; locked: one piece at least is
  std::vector<PieceResult> pieces;
};

struct LongCapture {
  std::size_t samples = 0;    // of each lane, in all
  double sample_rate = 0;     // Hz
  double symbol_rate = 32e9;  // Hz
  std::size_t piece_symbols = 262144;
  /// Samples [first, first + count) as a capture of their own, with its truth where there is one.
  std::function<Capture(std::size_t first, std::size_t count)> read;
  /// Where given: called with each locked piece when it is done, its judged symbols those that follow the
  /// piece before.
  std::function<void(const ReceiverResult& piece)> done;
};

/// Every piece goes on from the one before (Continuation): nothing is acquired anew, X stays X, and the
/// quarter turns and the count of symbols are kept. How a piece is received is decided blindly, whether or
/// not there is truth. A piece that finds no lock that way, or does not fit on, is received from a cold start
/// (Receiver::start_inside), as is the one after a piece without lock. So that a disturbed piece does not
/// damage those after it, a piece whose SNR, or that of the piece before it, is 0.5 dB below the best seen is
/// received from a cold start as well, and the better of the two is kept. Pieces overlap by kSeam and the
/// symbols that the chain discards at both ends, so that every symbol but those of the recording's own ends
/// is judged, once: exactly where pieces are joined, to within a symbol of the receiver's clock elsewhere.
/// Two pieces' symbols and one piece's samples are held at a time. InputError as Receiver, and for pieces too
/// short to overlap so.
LongResult receive_long(const Receiver& receiver, const LongCapture& capture);

}  // namespace cohlink
