#include "rx/recording/piece_sum.h"

#include <cmath>
#include <string>
#include <utility>

#include "sim/signal/units.h"

namespace cohlink {
namespace {

void add_counts(std::optional<fec::PostFec>& total, const std::optional<fec::PostFec>& piece) {
  if (piece && total)
    *total += *piece;
  else if (piece)
    total = piece;
}

}  // namespace

PieceResult piece_result(const ReceiverResult& piece, std::size_t first_sample) {
  PieceResult of{first_sample,
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

void take_over(ReceiverResult& total, const ReceiverResult& piece) {
  ReceiverResult first = piece;
  first.score = std::move(total.score);
  first.warnings = std::move(total.warnings);
  first.counters = std::move(total.counters);
  total = std::move(first);
}

void add_counters(Counters& total, const Counters& more) {
  for (const auto& [name, events] : more) total[name] += events;
}

void PieceSum::add(ReceiverResult& total, const ReceiverResult& piece) {
  const auto n = static_cast<double>(piece.judged_symbols);
  total.payload_rate = piece.payload_rate;
  total.matcher_loss_bits = piece.matcher_loss_bits;
  sums_.symbols += n;
  sums_.noise += n * from_db(-piece.snr_db);
  sums_.noise_variance += std::pow(n * from_db(-piece.snr_db) * piece.snr_spread, 2);
  if (piece.frequency_offset_hz) sums_.offset += n * *piece.frequency_offset_hz, sums_.with_offset += n;
  if (piece.score) add_score(total, *piece.score, n);
}

void PieceSum::add_score(ReceiverResult& total, const Score& piece, double symbols) {
  if (total.score) {
    Score& score = *total.score;
    for (std::size_t p = 0; p < 2; ++p) score.polarisation[p] += piece.polarisation[p];
    score.both += piece.both;
    add_counts(score.post_fec, piece.post_fec);
    score.symbols += piece.symbols;
    score.cycle_slips += piece.cycle_slips;
    score.misplaced += piece.misplaced;
  } else {
    total.score = piece;
    total.score->likelihoods.clear();
  }
  sums_.scored += symbols;
  sums_.mutual += symbols * piece.information.mutual_bits;
  sums_.generalised += symbols * piece.information.generalised_bits;
  sums_.information_variance += std::pow(symbols * piece.information.deviation, 2);
  for (std::size_t p = 0; p < 2; ++p) sums_.noise_of[p] += symbols * from_db(-piece.snr_db_polarisation[p]);
  likelihoods_.insert(likelihoods_.end(), piece.likelihoods.begin(), piece.likelihoods.end());
  ++scored_;
  if (++waiting_ == receiver_.decoded_together()) decode(total);
}

void PieceSum::decode(ReceiverResult& total) {
  const std::size_t pieces = std::exchange(waiting_, 0);
  const std::vector<float> likelihoods = std::exchange(likelihoods_, {});
  if (likelihoods.empty()) return;
  std::vector<std::string> warnings;
  const auto counted = receiver_.decode(likelihoods, warnings);
  if (!counted && total.score->post_fec)
    warnings = {"the last " + std::to_string(pieces) + " of " + std::to_string(scored_) +
                " pieces hold too few bits to be decoded"};
  total.warnings.insert(total.warnings.end(), warnings.begin(), warnings.end());
  add_counts(total.score->post_fec, counted);
}

void PieceSum::finish(ReceiverResult& total) {
  if (total.score) decode(total);
  total.judged_symbols = static_cast<std::size_t>(sums_.symbols);
  if (sums_.symbols > 0) {
    total.snr_db = -to_db(sums_.noise / sums_.symbols);
    total.evm_percent = 100.0 * std::sqrt(sums_.noise / sums_.symbols);
    total.snr_spread = sums_.noise > 0 ? std::sqrt(sums_.noise_variance) / sums_.noise : 0.0;
    total.frequency_offset_hz.reset();
    if (sums_.with_offset > 0) total.frequency_offset_hz = sums_.offset / sums_.with_offset;
  }
  if (!total.score || !(sums_.scored > 0)) return;
  total.score->snr_db = total.snr_db;
  total.score->evm_percent = total.evm_percent;
  finish_score(*total.score);
}

void PieceSum::finish_score(Score& score) const {
  score.interval = error_interval(score.both, score.bunching);
  score.q_db = q_from_ber_db(score.both.ber());
  for (std::size_t p = 0; p < 2; ++p) score.snr_db_polarisation[p] = -to_db(sums_.noise_of[p] / sums_.scored);
  const double bits = score.information.normalised > 0
                          ? score.information.generalised_bits / score.information.normalised
                          : 1;
  score.information = {sums_.mutual / sums_.scored, sums_.generalised / sums_.scored,
                       sums_.generalised / sums_.scored / bits,
                       std::sqrt(sums_.information_variance) / sums_.scored};
}

}  // namespace cohlink
