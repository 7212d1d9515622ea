#include "rx/recording/long_capture.h"

#include <algorithm>
#include <cmath>
#include <optional>
#include <string>

#include "rx/recording/piece_sum.h"
#include "sim/signal/scenario/errors.h"

namespace cohlink {
namespace {

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
  PieceSum sum(receiver);
  Course course;
  std::size_t discarded_at_ends = 0, kept_warnings = 0;
  for (std::size_t start = 0;;) {
    std::size_t count = std::min(samples_of(c.piece_symbols), c.samples - start);
    // A rest too short for a piece of its own joins this one.
    const std::size_t rest = c.samples - start - count;
    if (rest < samples_of(c.piece_symbols) / 4) count += rest;
    ReceiverResult piece = receive_piece(receiver, c.read(start, count), course);
    result.pieces.push_back(piece_result(piece, start));
    if (!course.before) discarded_at_ends = piece.discarded_symbols;
    if (!course.before || (piece.locked && !course.any_locked)) take_over(result.total, piece);
    if (piece.locked) sum.add(result.total, piece);
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
  sum.finish(result.total);
  result.total.discarded_symbols = discarded_at_ends;
  return result;
}

}  // namespace cohlink
