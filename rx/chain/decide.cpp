#include "rx/chain/decide.h"

#include <algorithm>
#include <string>

#include "rx/blocks/amplitude.h"
#include "rx/chain/join.h"
#include "rx/quality/lock.h"

namespace cohlink {
namespace {

constexpr double kGuessedBer = 0.4;  // nothing that still works counts so many errors

// A lock that can be seen without truth: both outputs on a constellation, and not the same one twice.
void check_lock(ReceiverResult& result, std::size_t first, std::size_t last, Modulation modulation,
                const Carried& c) {
  result.coherence = carrier_coherence(result.symbols, first, last);
  if (modulation != Modulation::kGaussian) result.coherence_needed = coherence_needed(c.averaged);
  result.locked_blindly = !c.singular && !c.pilots_lost;
  if (modulation == Modulation::kGaussian) return;
  for (std::size_t p = 0; p < result.rows(); ++p)
    if (result.coherence[p] < result.coherence_needed) {
      result.locked_blindly = false;
      if (c.truth == nullptr)
        result.warnings.push_back(std::string("no lock: output ") + (p == 0 ? "X" : "Y") +
                                  " is on no constellation; its SNR means nothing");
    }
}

// What the taps say about the channel, the same whether or not there is truth.
void read_channel(ReceiverResult& result, double symbol_rate) {
  if (!result.locked || result.one_polarisation || result.taps[0][0].empty()) return;
  TapReadingParameters parameters;
  parameters.symbol_rate = symbol_rate;
  result.channel = read_taps_blindly(result.taps, parameters);
}

// The score against what was sent, which then has the word on SNR and lock.
void score(Carried& c, const ScoreParameters& scoring, std::size_t first, std::size_t last, const FftCache& fft) {
  ReceiverResult& result = c.result;
  result.score = score_symbols(result.symbols, first, last, *c.truth, scoring, fft, result.warnings);
  if (result.score && result.score->interval.low > kGuessedBer) {
    result.score.reset();
    result.warnings.push_back("no lock: the bits are no better than guessed; no BER is given");
  }
  result.locked = result.score.has_value() && !c.pilots_lost;
  if (!result.score) return;
  result.snr_db = result.score->snr_db;
  result.evm_percent = result.score->evm_percent;
  if (result.joined) check_sequence(result, c);
  result.counters["cycle_slips"] += result.score->cycle_slips;
  if (result.score->misplaced > 0)
    result.warnings.push_back(
        std::to_string(result.score->misplaced) +
        " symbols (X and Y together) match nothing that was sent at their place: samples missing, or the "
        "signal lost for a while?");
  if (result.score->cycle_slips > 0)
    result.warnings.push_back(
        "cycle slips: " + std::to_string(result.score->cycle_slips) +
        (scoring.differential || scoring.pilot_spacing > 0
             ? ""
             : ", each quarter turn put right from the truth before counting, as pilots would"));
}

}  // namespace

void decide(Carried& c, ScoreParameters scoring, std::size_t judged, const FftCache& fft) {
  ReceiverResult& result = c.result;
  scoring.rows = result.rows();
  const std::size_t last = c.last();
  std::size_t first = c.first();
  result.symbols = scale_to_constellation(std::move(c.signal), scoring.modulation, first, last);
  result.discarded_symbols = result.symbols.size() - (last - first);
  if (c.from != nullptr && !c.line_lost)
    if (const auto next = join(result.symbols, first, c)) {
      result.joined = true;
      first = *next;
    }
  first = std::max(first, std::min(judged, last - kFewestScored));
  result.first_judged = first;
  result.judged_symbols = last - first;
  if (scoring.modulation != Modulation::kGaussian) {
    const ErrorVector quality = decision_aided(result.symbols, first, last, scoring.modulation, scoring.rows);
    result.snr_db = quality.snr_db();
    result.evm_percent = quality.evm_percent();
    result.blind_snr_db = result.snr_db;
  }
  check_lock(result, first, last, scoring.modulation, c);
  result.locked = result.locked_blindly;
  if (c.truth != nullptr) score(c, scoring, first, last, fft);
  read_channel(result, c.symbol_rate);
}

}  // namespace cohlink
