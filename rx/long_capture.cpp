#include "rx/long_capture.h"

#include <algorithm>
#include <cmath>
#include <optional>

#include "sim/signal/units.h"

namespace cohlink {
namespace {

// Sums behind the quantities that do not add by themselves.
struct Sums {
  double symbols = 0, noise = 0, offset = 0, with_offset = 0, scored = 0, mutual = 0, generalised = 0;
  std::array<double, 2> noise_of = {0, 0};
};

void add_score(Score& total, const Score& piece) {
  for (std::size_t p = 0; p < 2; ++p) total.polarisation[p] += piece.polarisation[p];
  total.both += piece.both;
  total.symbols += piece.symbols;
  total.cycle_slips += piece.cycle_slips;
}

void add_piece(ReceiverResult& total, Sums& sums, const ReceiverResult& piece) {
  const auto n = static_cast<double>(piece.judged_symbols);
  sums.symbols += n;
  sums.noise += n * from_db(-piece.snr_db);
  if (piece.frequency_offset_hz) sums.offset += n * *piece.frequency_offset_hz, sums.with_offset += n;
  if (!piece.score) return;
  if (total.score)
    add_score(*total.score, *piece.score);
  else
    total.score = piece.score;
  sums.scored += n;
  sums.mutual += n * piece.score->information.mutual_bits;
  sums.generalised += n * piece.score->information.generalised_bits;
  for (std::size_t p = 0; p < 2; ++p) sums.noise_of[p] += n * from_db(-piece.score->snr_db_polarisation[p]);
}

void finish(ReceiverResult& total, const Sums& sums) {
  total.judged_symbols = static_cast<std::size_t>(sums.symbols);
  if (sums.symbols > 0) {
    total.snr_db = -to_db(sums.noise / sums.symbols);
    total.evm_percent = 100.0 * std::sqrt(sums.noise / sums.symbols);
    total.frequency_offset_hz.reset();
    if (sums.with_offset > 0) total.frequency_offset_hz = sums.offset / sums.with_offset;
  }
  if (!total.score || !(sums.scored > 0)) return;
  Score& score = *total.score;
  score.interval = clopper_pearson(score.both.errors, score.both.bits);
  score.q_db = q_from_ber_db(score.both.ber());
  score.snr_db = total.snr_db;
  score.evm_percent = total.evm_percent;
  for (std::size_t p = 0; p < 2; ++p) score.snr_db_polarisation[p] = -to_db(sums.noise_of[p] / sums.scored);
  const double bits = score.information.normalised > 0
                          ? score.information.generalised_bits / score.information.normalised
                          : 1;
  score.information = {sums.mutual / sums.scored, sums.generalised / sums.scored,
                       sums.generalised / sums.scored / bits};
}

// The longest hop of at most `most` symbols whose samples are whole, or of the last 4096 the one nearest to
// that: the next piece's symbols then lie where its samples put them.
std::size_t whole_hop(std::size_t most, double per_symbol) {
  std::size_t best = most;
  double least = 1.0;
  for (std::size_t hop = most; hop > 0 && most - hop < 4096 && least > 1e-6; --hop) {
    const double samples = static_cast<double>(hop) * per_symbol,
                 off = std::abs(samples - std::round(samples));
    if (off < least - 1e-9) least = off, best = hop;
  }
  return best;
}

// A piece, from the one before where that helps.
ReceiverResult receive_piece(const Receiver& receiver, const Capture& capture,
                             const std::optional<ReceiverResult>& before, std::size_t hop) {
  if (!before) return receiver(capture, true);
  if (before->locked) {
    ReceiverResult warm = receiver.go_on(capture, {*before, hop});
    if (warm.locked && warm.joined) return warm;
  }
  return receiver(capture, false);
}

}  // namespace

LongResult receive_long(const Receiver& receiver, const LongCapture& c) {
  const double per_symbol = c.sample_rate / c.symbol_rate;
  const auto samples_of = [&](std::size_t symbols) {
    return static_cast<std::size_t>(std::llround(static_cast<double>(symbols) * per_symbol));
  };
  LongResult result;
  Sums sums;
  std::size_t discarded_at_ends = 0, kept_warnings = 0, hop = 0;
  std::optional<ReceiverResult> before;
  for (std::size_t start = 0;;) {
    std::size_t count = std::min(samples_of(c.piece_symbols), c.samples - start);
    // A rest too short for a piece of its own joins this one.
    const std::size_t rest = c.samples - start - count;
    if (rest < samples_of(c.piece_symbols) / 4) count += rest;
    ReceiverResult piece = receive_piece(receiver, c.read(start, count), before, hop);
    result.pieces.push_back({start, piece.judged_symbols, piece.score ? piece.score->both.errors : 0,
                             piece.score ? piece.score->both.bits : 0, piece.snr_db,
                             piece.frequency_offset_hz.value_or(std::nan("")), piece.locked, piece.joined});
    const std::size_t overlap = piece.discarded_symbols + kSeam;
    if (piece.locked) add_piece(result.total, sums, piece);
    if (piece.locked && c.done) c.done(piece);
    if (!before) {
      const auto score = result.total.score;
      result.total = piece;
      result.total.score = score;
      result.total.warnings.clear();
      result.total.counters.clear();
      discarded_at_ends = piece.discarded_symbols;
    }
    for (const auto& [name, events] : piece.counters) result.total.counters[name] += events;
    result.total.locked = result.total.locked && piece.locked;
    constexpr std::size_t kMostWarnings = 8;
    for (const auto& warning : piece.warnings)
      if (kept_warnings++ < kMostWarnings)
        result.total.warnings.push_back("from sample " + std::to_string(start) + " on: " + warning);
    if (start + count >= c.samples) break;
    const auto symbols = static_cast<std::size_t>(static_cast<double>(count) / per_symbol);
    hop = whole_hop(symbols - std::min(overlap, symbols / 2), per_symbol);
    start += std::max<std::size_t>(1, samples_of(hop));
    before = std::move(piece);
  }
  finish(result.total, sums);
  result.total.discarded_symbols = discarded_at_ends;
  return result;
}

}  // namespace cohlink
