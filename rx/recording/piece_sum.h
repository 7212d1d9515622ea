// Several captures of one link in a row, or pieces of a recording, as one result.
#pragma once

#include <array>
#include <cstddef>
#include <cstdint>
#include <vector>

#include "rx/receiver.h"

namespace cohlink {

/// What one piece gave.
struct PieceResult {
  std::size_t first_sample = 0;  // of the piece
  std::size_t symbols = 0;       // scored or judged, per polarisation
  std::uint64_t errors = 0, bits = 0;
  double snr_db = 0, frequency_offset_hz = 0;  // not a number: none was found
  bool locked = true;
  bool joined = false;  // to the piece before: X, Y, quarter turns and count of symbols go on from there
  // How the piece lined up with known symbols (Score); nought without any.
  bool swapped = false;
  std::array<int, 2> quarter_turns = {0, 0};
  std::array<long, 2> delay_symbols = {0, 0};
};

PieceResult piece_result(const ReceiverResult& piece, std::size_t first_sample);

/// What does not add up, from a piece: everything but score, warnings and counters.
void take_over(ReceiverResult& total, const ReceiverResult& piece);

void add_counters(Counters& total, const Counters& more);

/// Adds up what pieces counted. Bits of as many as the receiver decodes together (fec.frames) are decoded
/// when they are there, those of the last, fewer, when it is finished.
class PieceSum {
 public:
  /// `receiver` must outlive it.
  explicit PieceSum(const Receiver& receiver) : receiver_(receiver) {}

  /// Counts and powers of one more. The score of the first that has one is the total's, which must have none
  /// before; whatever does not add up is the caller's.
  void add(ReceiverResult& total, const ReceiverResult& piece);
  void finish(ReceiverResult& total);

 private:
  // Behind the quantities that do not add by themselves.
  struct Sums {
    double symbols = 0, noise = 0, noise_variance = 0, offset = 0, with_offset = 0, scored = 0, mutual = 0,
           generalised = 0, information_variance = 0;
    std::array<double, 2> noise_of = {0, 0};
  };
  void add_score(ReceiverResult& total, const Score& piece, double symbols);
  void decode(ReceiverResult& total);
  void finish_score(Score& score) const;

  const Receiver& receiver_;
  Sums sums_;
  std::vector<float> likelihoods_;  // of pieces that nobody has decoded yet
  std::size_t waiting_ = 0;         // how many pieces those are
  std::size_t scored_ = 0;          // and how many there were
};

}  // namespace cohlink
