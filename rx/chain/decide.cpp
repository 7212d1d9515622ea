#include "rx/chain/decide.h"

#include <algorithm>
#include <cmath>
#include <span>
#include <string>
#include <vector>

#include "rx/blocks/amplitude.h"
#include "rx/blocks/frame_knowledge.h"
#include "rx/chain/join.h"
#include "rx/quality/likelihood.h"
#include "rx/quality/lock.h"
#include "sim/signal/shaping.h"
#include "sim/signal/units.h"

namespace cohlink {
namespace {

constexpr double kGuessedBer = 0.4;  // nothing that still works counts so many errors

// What is judged without truth: the payload, where the frame tells which that is.
Field<float> payload_of(const Field<float>& symbols, std::size_t first, std::size_t last, FrameLayout layout,
                        const ChainState& state) {
  Field<float> payload(0, symbols.sample_rate);
  if (!state.superframe_start) layout.alignment = layout.reserved = 0;
  const std::size_t period = layout.period(),
                    start = state.superframe_start.value_or(state.frame_start.value_or(0)) % period;
  for (std::size_t k = first; k < last; ++k)
    if (!state.frame_start || layout.is_payload(k + period - start)) {
      payload.x.push_back(symbols.x[k]);
      payload.y.push_back(symbols.y[k]);
    }
  return payload;
}

// By the frame's known symbols where those were found, else blindly.
Field<float> scaled(Carried& c, const ScoreParameters& scoring, std::size_t first, std::size_t last) {
  if (!c.frame_start) return scale_to_constellation(std::move(c.signal), scoring.modulation, first, last);
  const FrameKnowledge frame(scoring.modulation, scoring.layout);
  scale_to_known(c.signal, frame.in_row(first, last, *c.frame_start));
  return std::move(c.signal);
}

// What speaks against an output's lock though its carrier is held: another constellation, or no signal for a
// while. Judged without known symbols, which tell more, and of no weight for how a recording's pieces are
// joined, which must be the same with them.
void doubt_output(ReceiverResult& result, const Field<float>& payload, std::size_t p, Modulation modulation) {
  const std::span<const std::complex<float>> judged(*payload.rows()[p]);
  const std::string output = std::string("output ") + (p == 0 ? "X" : "Y");
  if (const auto likelier = likelier_modulation(judged, modulation)) {
    result.locked = false;
    result.warnings.push_back("no lock: " + output + " looks like " +
                              std::string(modulation_name(*likelier)) + " and not like the " +
                              modulation_title(modulation) + " that signal.modulation says");
  }
  if (const LostStretches lost = lost_stretches(judged, modulation); lost.symbols > 0) {
    if (10 * lost.symbols > judged.size()) result.locked = false;
    result.warnings.push_back("no lock: " + output + " shows no signal for " + std::to_string(lost.symbols) +
                              " symbols, the first near symbol " +
                              std::to_string(result.first_judged + lost.first));
  }
}

// Whether angles tell that a carrier is held: those of shaped symbols are too near to those of noise at the
// SNRs they are sent for (64QAM of 5.3 bits at 12 dB: a coherence of 0.02).
bool angles_tell(Modulation modulation) {
  const Constellation& points = constellation(modulation);
  return !points.empty() && !points.is_shaped();
}

// A lock that can be seen without truth: a clock, both outputs on the constellation, all the time, and not
// the same one twice.
void check_lock(ReceiverResult& result, const Field<float>& payload, Modulation modulation,
                const Carried& c) {
  result.coherence = carrier_coherence(payload, 0, payload.size(), modulation);
  if (!constellation(modulation).empty())
    result.coherence_needed = angles_tell(modulation) ? coherence_needed(c.averaged) : -1.0;  // any will do
  result.locked_blindly = !c.singular && !c.pilots_lost && !c.clock_lost;
  if (angles_tell(modulation))
    for (std::size_t p = 0; p < result.rows(); ++p)
      result.locked_blindly &= result.coherence[p] >= result.coherence_needed;
  result.locked = result.locked_blindly;
  if (constellation(modulation).empty() || c.truth != nullptr) return;
  for (std::size_t p = 0; p < result.rows(); ++p)
    if (result.coherence[p] >= result.coherence_needed)
      doubt_output(result, payload, p, modulation);
    else
      result.warnings.push_back(std::string("no lock: output ") + (p == 0 ? "X" : "Y") +
                                " is on no constellation; its SNR means nothing");
}

// Without knowing what was sent.
void judge_blindly(ReceiverResult& result, const Field<float>& payload, Modulation modulation) {
  std::vector<JointSnr> rows;
  for (std::size_t p = 0; p < result.rows(); ++p) {
    const auto fit = fit_constellation(*payload.rows()[p], modulation);
    rows.push_back({fit.snr(), fit.spread});
  }
  const JointSnr joint = joint_snr(rows);
  result.snr_db = to_db(joint.snr);
  result.evm_percent = 100.0 / std::sqrt(joint.snr);
  result.snr_spread = joint.spread;
}

// Against what was sent.
void judge_by_score(ReceiverResult& result, Modulation modulation) {
  const Score& score = *result.score;
  result.snr_db = score.snr_db;
  result.evm_percent = score.evm_percent;
  std::vector<JointSnr> rows;
  const auto add = [&](double snr_db) {
    rows.push_back({from_db(snr_db), data_aided_spread(from_db(snr_db), score.symbols, modulation)});
  };
  if (result.one_polarisation)
    add(score.snr_db);
  else
    for (const double snr_db : score.snr_db_polarisation) add(snr_db);
  result.snr_spread = joint_snr(rows).spread;
}

// What the taps say about the channel, the same whether or not there is truth. A frame's known symbols are
// those of X and of Y, to the symbol.
void read_channel(ReceiverResult& result, double symbol_rate, bool framed) {
  if (!result.locked || result.one_polarisation || result.taps[0][0].empty()) return;
  TapReadingParameters parameters;
  parameters.symbol_rate = symbol_rate;
  result.channel = framed ? read_taps(result.taps, parameters) : read_taps_blindly(result.taps, parameters);
}

// The score against what was sent, which then has the word on SNR and lock.
void score(Carried& c, const ScoreParameters& scoring, std::size_t first, std::size_t last,
           const Execution& execution) {
  ReceiverResult& result = c.result;
  result.score = score_symbols({result.symbols, first, last}, *c.truth, scoring, execution, result.warnings);
  if (result.score && result.score->interval.low > kGuessedBer) {
    result.score.reset();
    result.warnings.push_back("no lock: the bits are no better than guessed; no BER is given");
  }
  if (result.score && c.clock_lost) {
    result.score.reset();
    result.warnings.push_back("no lock: without a clock no BER is given");
  }
  result.locked = result.score.has_value() && !c.pilots_lost;
  if (!result.score) return;
  judge_by_score(result, scoring.modulation);
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
        (scoring.differential || scoring.turned_by_pilots
             ? ""
             : ", each quarter turn put right from the truth before counting, as pilots would"));
}

}  // namespace

void decide(Carried& c, ScoreParameters scoring, std::size_t judged, const Execution& execution) {
  ReceiverResult& result = c.result;
  scoring.rows = result.rows();
  result.payload_rate = c.symbol_rate * scoring.layout.payload_share();
  result.matcher_loss_bits = constellation(scoring.modulation).shaping().loss_bits;
  const std::size_t last = c.last();
  std::size_t first = c.first();
  result.symbols = scaled(c, scoring, first, last);
  result.discarded_symbols = result.symbols.size() - (last - first);
  // Removed before the clock's, if any, was known, the carrier turned by the receiver's clock.
  c.carrier.cycles_per_symbol *= 1.0 + 1e-6 * result.clock_offset_ppm.value_or(0.0);
  if (c.carrier_known) remove_residual_offset(result.symbols, first, last, scoring.modulation, c.carrier);
  if (c.from != nullptr && !c.line_lost)
    if (const auto next = join(result.symbols, first, c)) {
      result.joined = true;
      first = *next;
    }
  first = std::max(first, std::min(judged, last - kFewestScored));
  result.first_judged = first;
  result.judged_symbols = last - first;
  const Field<float> payload = payload_of(result.symbols, first, last, scoring.layout, c);
  if (!constellation(scoring.modulation).empty()) {
    // Distances to decisions flatter, but serve to compare pieces of one recording.
    result.blind_snr_db =
        decision_aided(payload, 0, payload.size(), scoring.modulation, scoring.rows).snr_db();
    if (c.truth == nullptr) judge_blindly(result, payload, scoring.modulation);
  }
  execution.check();
  check_lock(result, payload, scoring.modulation, c);
  if (c.truth != nullptr) score(c, scoring, first, last, execution);
  read_channel(result, c.symbol_rate, c.frame_start.has_value());
}

}  // namespace cohlink
