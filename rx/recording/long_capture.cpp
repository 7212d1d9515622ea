#include "rx/recording/long_capture.h"

#include <algorithm>
#include <cmath>
#include <optional>
#include <string>

#include "sim/signal/scenario/errors.h"
#include "sim/signal/units.h"

namespace cohlink {
namespace {

// Sums behind the quantities that do not add by themselves.
struct Sums {
  double symbols = 0, noise = 0, noise_variance = 0, offset = 0, with_offset = 0, scored = 0, mutual = 0,
         generalised = 0, information_variance = 0;
  std::array<double, 2> noise_of = {0, 0};
};

void add_score(Score& total, const Score& piece) {
  for (std::size_t p = 0; p < 2; ++p) total.polarisation[p] += piece.polarisation[p];
  total.both += piece.both;
  if (piece.post_fec && total.post_fec)
    *total.post_fec += *piece.post_fec;
  else if (piece.post_fec)
    total.post_fec = piece.post_fec;
  total.symbols += piece.symbols;
  total.cycle_slips += piece.cycle_slips;
  total.misplaced += piece.misplaced;
}

void add_piece(ReceiverResult& total, Sums& sums, const ReceiverResult& piece) {
  const auto n = static_cast<double>(piece.judged_symbols);
  total.payload_rate = piece.payload_rate;
  total.matcher_loss_bits = piece.matcher_loss_bits;
  sums.symbols += n;
  sums.noise += n * from_db(-piece.snr_db);
  sums.noise_variance += std::pow(n * from_db(-piece.snr_db) * piece.snr_spread, 2);
  if (piece.frequency_offset_hz) sums.offset += n * *piece.frequency_offset_hz, sums.with_offset += n;
  if (!piece.score) return;
  if (total.score)
    add_score(*total.score, *piece.score);
  else
    total.score = piece.score;
  sums.scored += n;
  sums.mutual += n * piece.score->information.mutual_bits;
  sums.generalised += n * piece.score->information.generalised_bits;
  sums.information_variance += std::pow(n * piece.score->information.deviation, 2);
  for (std::size_t p = 0; p < 2; ++p) sums.noise_of[p] += n * from_db(-piece.score->snr_db_polarisation[p]);
}

void finish(ReceiverResult& total, const Sums& sums) {
  total.judged_symbols = static_cast<std::size_t>(sums.symbols);
  if (sums.symbols > 0) {
    total.snr_db = -to_db(sums.noise / sums.symbols);
    total.evm_percent = 100.0 * std::sqrt(sums.noise / sums.symbols);
    total.snr_spread = sums.noise > 0 ? std::sqrt(sums.noise_variance) / sums.noise : 0.0;
    total.frequency_offset_hz.reset();
    if (sums.with_offset > 0) total.frequency_offset_hz = sums.offset / sums.with_offset;
  }
  if (!total.score || !(sums.scored > 0)) return;
  Score& score = *total.score;
  score.interval = error_interval(score.both, score.bunching);
  score.q_db = q_from_ber_db(score.both.ber());
  score.snr_db = total.snr_db;
  score.evm_percent = total.evm_percent;
  for (std::size_t p = 0; p < 2; ++p) score.snr_db_polarisation[p] = -to_db(sums.noise_of[p] / sums.scored);
  const double bits = score.information.normalised > 0
                          ? score.information.generalised_bits / score.information.normalised
                          : 1;
  score.information = {sums.mutual / sums.scored, sums.generalised / sums.scored,
                       sums.generalised / sums.scored / bits,
                       std::sqrt(sums.information_variance) / sums.scored};
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

// A piece this far [dB] below the best, by its own decisions, was disturbed, or starts from one that was: 20
// standard errors of 16384 symbols. A cold start must bring at least kGain [dB] to be worth a break.
constexpr double kFall = 0.5, kGain = 0.1;

// What is known when a piece is received.
struct Course {
  std::optional<ReceiverResult> before;
  std::size_t hop = 0;        // symbols from the beginning of that
  double best_snr_db = -1e9;  // of pieces so far
  bool any_locked = false;

  bool fallen(const ReceiverResult& piece) const { return piece.blind_snr_db < best_snr_db - kFall; }
  // Of the next piece's symbols, those that the piece before has judged.
  std::size_t judged() const {
    const std::size_t end = before->first_judged + before->judged_symbols;
    return end > hop ? end - hop : 0;
  }
};

// A piece, from the one before where that helps. What was sent has no say in it.
ReceiverResult receive_piece(const Receiver& receiver, const Capture& capture, const Course& course) {
  if (!course.before) return receiver(capture, true);
  std::optional<ReceiverResult> warm;
  if (course.before->locked_blindly) warm = receiver.go_on(capture, {*course.before, course.hop});
  if (warm && !(warm->locked_blindly && warm->joined)) warm.reset();
  if (warm && !course.fallen(*warm) && !course.fallen(*course.before)) return *warm;
  ReceiverResult cold = receiver.start_inside(capture, course.judged(), !course.any_locked);
  if (warm && !(cold.locked_blindly && cold.blind_snr_db > warm->blind_snr_db + kGain)) return *warm;
  return cold;
}

PieceResult summary(const ReceiverResult& piece, std::size_t start) {
  PieceResult of{start,
                 piece.judged_symbols,
                 0,
                 0,
                 piece.snr_db,
                 piece.frequency_offset_hz.value_or(std::nan("")),
                 piece.locked,
                 piece.joined};
  if (!piece.score) return of;
  of.errors = piece.score->both.errors;
  of.bits = piece.score->both.bits;
  of.swapped = piece.score->swapped;
  of.quarter_turns = piece.score->quarter_turns;
  of.delay_symbols = piece.score->delay_symbols;
  return of;
}

// What does not add up, from the first piece that locked, or from the first.
void take_over(ReceiverResult& total, const ReceiverResult& piece) {
  ReceiverResult first = piece;
  first.score = total.score;
  first.warnings = std::move(total.warnings);
  first.counters = std::move(total.counters);
  total = std::move(first);
}

void warn(ReceiverResult& total, std::size_t& kept, const std::string& warning, std::size_t start) {
  constexpr std::size_t kMostWarnings = 8;
  if (kept++ < kMostWarnings)
    total.warnings.push_back("from sample " + std::to_string(start) + " on: " + warning);
}

std::string tenths(double value) {
  const auto rounded = std::to_string(std::lround(10.0 * value));
  return rounded.size() < 2
             ? "0." + rounded
             : rounded.substr(0, rounded.size() - 1) + "." + rounded.substr(rounded.size() - 1);
}

void check_overlap(std::size_t overlap, std::size_t symbols) {
  if (overlap > symbols / 2)
    throw InputError(Origin(), "trace.piece_symbols",
                     "pieces of " + std::to_string(symbols) +
                         " symbols are too short: this receiver chain needs at least " +
                         std::to_string(2 * overlap) + ", " + std::to_string(overlap) +
                         " of which the next piece shares");
}

// Against the best piece so far.
void judge_fall(ReceiverResult& total, std::size_t& kept_warnings, const ReceiverResult& piece,
                Course& course, std::size_t start) {
  if (!piece.locked_blindly) return;
  if (course.fallen(piece))
    warn(total, kept_warnings,
         "the SNR is " + tenths(course.best_snr_db - piece.blind_snr_db) + " dB below that of the best piece",
         start);
  course.best_snr_db = std::max(course.best_snr_db, piece.blind_snr_db);
}

}  // namespace

LongResult receive_long(const Receiver& receiver, const LongCapture& c) {
  const double per_symbol = c.sample_rate / c.symbol_rate;
  const auto samples_of = [&](std::size_t symbols) {
    return static_cast<std::size_t>(std::llround(static_cast<double>(symbols) * per_symbol));
  };
  LongResult result;
  Sums sums;
  Course course;
  std::size_t discarded_at_ends = 0, kept_warnings = 0;
  for (std::size_t start = 0;;) {
    std::size_t count = std::min(samples_of(c.piece_symbols), c.samples - start);
    // A rest too short for a piece of its own joins this one.
    const std::size_t rest = c.samples - start - count;
    if (rest < samples_of(c.piece_symbols) / 4) count += rest;
    ReceiverResult piece = receive_piece(receiver, c.read(start, count), course);
    result.pieces.push_back(summary(piece, start));
    if (!course.before) discarded_at_ends = piece.discarded_symbols;
    if (!course.before || (piece.locked && !course.any_locked)) take_over(result.total, piece);
    if (piece.locked) add_piece(result.total, sums, piece);
    if (piece.locked && c.done) c.done(piece);
    course.any_locked |= piece.locked;
    for (const auto& [name, events] : piece.counters) result.total.counters[name] += events;
    for (const auto& warning : piece.warnings) warn(result.total, kept_warnings, warning, start);
    judge_fall(result.total, kept_warnings, piece, course, start);
    if (start + count >= c.samples) break;
    const auto symbols = static_cast<std::size_t>(static_cast<double>(count) / per_symbol);
    const std::size_t overlap = piece.discarded_symbols + kSeam;
    check_overlap(overlap, symbols);
    course.hop = whole_hop(symbols - overlap, per_symbol);
    start += std::max<std::size_t>(1, samples_of(course.hop));
    course.before = std::move(piece);
  }
  finish(result.total, sums);
  result.total.discarded_symbols = discarded_at_ends;
  return result;
}

}  // namespace cohlink
