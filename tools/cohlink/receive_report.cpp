#include "tools/cohlink/receive_report.h"

#include <algorithm>
#include <cmath>
#include <set>
#include <stdexcept>

#include "rx/chain/table.h"
#include "rx/quality/metrics.h"
#include "rx/quality/tap_reading.h"
#include "sim/signal/awgn_information.h"
#include "sim/signal/scenario/strings.h"
#include "sim/signal/units.h"
#include "tools/study/plan/fec.h"
#include "tools/study/plan/numbers.h"
#include "tools/study/plan/outputs.h"
#include "tools/study/plan/receiver_outputs.h"
#include "tools/study/plan/theory.h"

namespace cohlink {
namespace {

Cell finite(double value) { return std::isfinite(value) ? Cell(value) : Cell(); }

std::string db(double value) { return std::isfinite(value) ? fixed(value, 2) + " dB" : "-"; }

/// A 95 % interval and how it reads.
struct Range {
  double low, high;
  std::string text;
  Range(double from, double to, const std::string& unit) : low(from), high(to) {
    const auto number = [](double value) {
      return std::isfinite(value) ? fixed(value, 2) : std::string("-");
    };
    text = "95 %: " + number(low) + " to " + number(high) + unit;
  }
};

/// A row of the table of outputs, as this reception has it; `text` is for people.
Fact shown(Output output, const ReceiverResult& result, const std::string& text = "") {
  const OutputRow& row = row_of(output);
  const auto value = row.of(result);
  return {row.name, row.title, value ? finite(*value) : Cell(), text};
}

Fact counted(Output output, const ReceiverResult& result, const std::string& text) {
  const OutputRow& row = row_of(output);
  return {row.name, row.title, static_cast<std::uint64_t>(row.of(result).value_or(0.0)), text};
}

/// The ends of its interval, for programs.
Fact bound_of(Output output, const char* which, double value) {
  return {bound_name(row_of(output).name, which), "", finite(value), ""};
}

/// BER and its interval: only where the truth is known.
std::vector<Fact> score_facts(const ReceiverResult& result) {
  const Score& score = *result.score;
  const ErrorCount& both = score.both;
  const std::string counted = grouped(both.errors) + " errors in " + grouped(both.bits) + " bits";
  const Range q_interval(q_from_ber_db(score.interval.high), q_from_ber_db(score.interval.low), " dB");
  std::vector<Fact> facts = {{"ber", "BER", both.ber(), scientific(both.ber()) + "   (" + counted + ")"},
                             {"ber_low", "95 % interval", score.interval.low,
                              scientific(score.interval.low) + " to " + scientific(score.interval.high)},
                             {"ber_high", "", score.interval.high, ""},
                             {"errors", "", both.errors, ""},
                             {"bits", "", both.bits, ""}};
  if (!result.one_polarisation) {
    facts.push_back(
        shown(Output::kBerX, result,
              scientific(score.polarisation[0].ber()) + ", " + scientific(score.polarisation[1].ber())));
    facts.push_back(shown(Output::kBerY, result));
  }
  facts.push_back(shown(Output::kQ, result, db(score.q_db) + "   (" + q_interval.text + ")"));
  facts.push_back(bound_of(Output::kQ, "low", q_interval.low));
  facts.push_back(bound_of(Output::kQ, "high", q_interval.high));
  return facts;
}

std::vector<Fact> signal_facts(const ReceiverResult& result) {
  // Nearly Gaussian in ln SNR.
  const double spread = 1.96 * result.snr_spread;
  const Range snr(result.snr_db - to_db(std::exp(spread)), result.snr_db + to_db(std::exp(spread)), " dB");
  const Range evm(result.evm_percent * std::exp(-0.5 * spread), result.evm_percent * std::exp(0.5 * spread),
                  " %");
  const std::string basis = result.score ? "" : ", the likeliest: no truth to compare with";
  std::vector<Fact> facts = {
      shown(Output::kSnr, result, db(result.snr_db) + "   (" + snr.text + basis + ")"),
      bound_of(Output::kSnr, "low", snr.low),
      bound_of(Output::kSnr, "high", snr.high),
      shown(Output::kEvm, result, fixed(result.evm_percent, 2) + " %   (" + evm.text + ")"),
      bound_of(Output::kEvm, "low", evm.low),
      bound_of(Output::kEvm, "high", evm.high),
  };
  if (result.phase_averaged > 0) {
    const double taken = -to_db(1.0 - 0.5 / static_cast<double>(result.phase_averaged));
    facts.push_back(
        {"snr_phase_share_db", "of the SNR", taken,
         (result.score ? "up to " : "") + db(taken) + " because " + std::to_string(result.phase_averaged) +
             " symbols' decisions turn each, and take 1 / " + std::to_string(2 * result.phase_averaged) +
             " of the noise with them" + (result.score ? "" : "; up to twice that at a BER of 2e-2")});
  }
  if (result.score && !result.one_polarisation) {
    facts.push_back(
        shown(Output::kSnrX, result,
              db(result.score->snr_db_polarisation[0]) + ", " + db(result.score->snr_db_polarisation[1])));
    facts.push_back(shown(Output::kSnrY, result));
  }
  return facts;
}

std::string alignment_text(const Score& score, bool one_polarisation) {
  if (one_polarisation) {
    const std::size_t source = score.polarisation[1].bits > 0 ? 1 : 0;
    return std::string("X carries what was sent on ") + (source == 1 ? "Y" : "X") + ", turned by " +
           std::to_string(90 * score.quarter_turns[source]) + " deg, delayed by " +
           std::to_string(score.delay_symbols[source]) + " symbols";
  }
  std::string text = score.swapped ? "polarisations swapped" : "polarisations as sent";
  return text + ", turned by " + std::to_string(90 * score.quarter_turns[0]) + " and " +
         std::to_string(90 * score.quarter_turns[1]) + " deg, delayed by " +
         std::to_string(score.delay_symbols[0]) + " and " + std::to_string(score.delay_symbols[1]) +
         " symbols";
}

void append(std::vector<Fact>& facts, std::vector<Fact> more) {
  facts.insert(facts.end(), std::make_move_iterator(more.begin()), std::make_move_iterator(more.end()));
}

/// Truth may be no more than the symbols sent.
bool knows_path(const Capture& capture) { return capture.truth && !capture.truth->tx_phase_rad.empty(); }

std::string readable_in_mhz(double hz) { return readable(hz / 1e6) + " MHz"; }

/// What blocks found by themselves, beside the truth where there is one.
std::vector<Fact> estimated_facts(const Capture& capture, const ReceiverResult& result) {
  std::vector<Fact> facts;
  const auto estimated = [](const std::string& text, const std::string& truth) {
    return text + " (estimated" + (truth.empty() ? "" : "; truth ") + truth + ")";
  };
  if (result.iq_skew_ps) {
    std::string truth;
    if (capture.truth && capture.truth->lanes) {
      const auto& skew = capture.truth->lanes->skew_ps;
      truth = fixed(skew[1] - skew[0], 2) + ", " + fixed(skew[3] - skew[2], 2) + " ps";
    }
    const auto& [x, y] = *result.iq_skew_ps;
    facts.push_back(
        shown(Output::kIqSkewX, result, estimated(fixed(x, 2) + ", " + fixed(y, 2) + " ps", truth)));
    facts.push_back(shown(Output::kIqSkewY, result));
  }
  if (result.beta2_length) {
    const double found = result.in_ps_per_nm(*result.beta2_length);
    const std::string truth =
        capture.truth ? readable(capture.truth->dispersion_ps_per_nm, 6) + " ps/nm" : "";
    facts.push_back(shown(Output::kDispersion, result, estimated(readable(found, 6) + " ps/nm", truth)));
  }
  if (result.clock_offset_ppm) {
    const bool known = capture.truth && capture.truth->lanes;
    const std::string truth = known ? readable(capture.truth->lanes->clock_offset_ppm) + " ppm" : "";
    facts.push_back(
        shown(Output::kClockOffset, result, estimated(readable(*result.clock_offset_ppm) + " ppm", truth)));
  }
  for (const BlockRow& block : block_table())
    for (const BlockOutput& output : block.outputs)
      for (const BlockMeasurement& found : result.measured)
        if (found.output == output.name)
          facts.push_back({output.name, output.title, found.value,
                           estimated(readable(found.value) + (*output.unit ? " " : "") + output.unit, "")});
  return facts;
}

std::vector<Fact> how_facts(const Capture& capture, const ReceiverResult& result) {
  std::vector<Fact> facts;
  if (result.one_polarisation)
    facts.push_back({"polarisations", "polarisations", std::uint64_t{1},
                     "one: X alone was recorded; nothing is known of Y"});
  if (result.frequency_offset_hz) {
    const std::string truth =
        knows_path(capture) ? "; truth " + readable_in_mhz(capture.truth->frequency_offset_hz) : "";
    facts.push_back(shown(Output::kFrequencyOffset, result,
                          readable_in_mhz(*result.frequency_offset_hz) + " (estimated" + truth + ")"));
  }
  facts.push_back(counted(Output::kDiscarded, result,
                          grouped(result.discarded_symbols) + " symbols at the edges, not scored"));
  const std::string known = join(result.used_known_data, "; ");
  facts.push_back({"used_known_data", "known data", known,
                   result.used_known_data.empty() ? "none used: a blind receiver" : known});
  append(facts, estimated_facts(capture, result));
  if (result.score) {
    facts.push_back(
        counted(Output::kScored, result, grouped(result.score->symbols) + " symbols per polarisation"));
    facts.push_back({"", "alignment", {}, alignment_text(*result.score, result.one_polarisation)});
  }
  return facts;
}

/// Event counters of the capture and the receiver.
std::vector<Fact> counter_facts(const Capture& capture, const ReceiverResult& result) {
  Counters all = capture.counters;
  for (const auto& [name, events] : result.counters) all[name] += events;
  std::vector<Fact> facts;
  for (const auto& [name, events] : all) {
    std::string words = name;
    std::replace(words.begin(), words.end(), '_', ' ');
    facts.push_back({name, words, events, grouped(events)});
  }
  return facts;
}

/// "; 5.265 bits a symbol, 0.029 of them lost by the matcher", of shaped symbols.
std::string shaping_text(const Constellation& format) {
  if (!format.is_shaped()) return "";
  const double loss = format.shaping().loss_bits;
  return "; shaped to " + readable(format.entropy()) + " bits a symbol" +
         (loss > 0.0 ? ", " + readable(loss, 3) + " of them lost by the matcher" : "");
}

/// What soft-decision codes could carry over the channel as received, and what the chosen code leaves.
std::vector<Fact> rate_facts(const ReceiverResult& result, const Scenario& scenario) {
  std::vector<Fact> facts;
  BitRates rates = bit_rates(scenario);
  if (result.one_polarisation) {
    rates.line *= 0.5;
    if (rates.net) *rates.net *= 0.5;
  }
  if (result.score && result.score->both.bits > 0) {
    const Information& information = result.score->information;
    facts.push_back(shown(Output::kMutualInformation, result,
                          fixed(information.mutual_bits, 4) + " bits a symbol and polarisation"));
    facts.push_back(
        shown(Output::kGeneralisedInformation, result,
              fixed(information.generalised_bits, 4) + " bits; NGMI " + fixed(information.normalised, 4) +
                  ", the largest rate of an ideal binary code" +
                  (scenario.boolean("signal.differential") ? ", before differential decoding" : "")));
    facts.push_back(shown(Output::kNormalisedInformation, result));
    facts.push_back(shown(Output::kAchievableRate, result,
                          fixed(*row_of(Output::kAchievableRate).of(result), 2) + " Gb/s by an ideal code"));
  }
  if (rates.net)
    facts.push_back({"net_bit_rate_bps", "net bit rate", *rates.net,
                     fixed(*rates.net / 1e9, 2) + " Gb/s of " + fixed(rates.line / 1e9, 2) +
                         " on the line, " + fixed(100.0 * *fec_overhead(scenario), 2) + " % overhead" +
                         shaping_text(constellation(scenario_modulation(scenario)))});
  return facts;
}

/// What the code gains: SNR that reception without it would need for what it leaves, over what its own BER
/// needs, each bit's energy counted whole (net); and how far the LLRs are above those of an ideal code of its
/// rate.
std::vector<Fact> gain_facts(const Score& score, const fec::PostFec& left, const Interval& interval,
                             const Scenario& scenario) {
  const Modulation modulation = scenario_modulation(scenario);
  for (const FecCode& row : fec_codes()) {
    if (row.name != scenario.text("fec.code") || score.both.errors == 0) continue;
    const double rate = 1.0 / (1.0 + row.overhead), after = left.errors > 0 ? left.ber() : interval.high;
    const double gain = to_db(rate * theory_snr(modulation, std::clamp(after, 1e-15, 0.35)) /
                              theory_snr(modulation, std::min(score.both.ber(), 0.35)));
    const double ngmi = std::clamp(score.information.normalised, 0.05, 1.0 - 1e-7);
    const double distance = to_db(awgn_snr_for_ngmi(constellation(modulation), ngmi) /
                                  awgn_snr_for_ngmi(constellation(modulation), rate));
    return {{"coding_gain_db", "net coding gain", gain, db(gain) + (left.errors > 0 ? "" : " or more")},
            {"capacity_distance_db", "from capacity", distance,
             db(distance) + " of SNR above where an ideal code of its rate would end"}};
  }
  return {};
}

/// How errors fell that the code was to mend: its waterfall is that of errors that fall one by one.
Fact dispersion_fact(const ReceiverResult& result, const Scenario& scenario) {
  const Score& score = *result.score;
  const fec::ErrorStretches& before = score.post_fec->before;
  const std::string times = fixed(before.dispersion(), 2) + " times the variance of errors one by one, in " +
                            grouped(fec::ErrorStretches::kBits) + " bits each";
  if (!before.bunch()) return shown(Output::kErrorDispersion, result, "fall one by one: " + times);
  const Modulation modulation = scenario_modulation(scenario);
  const double ber = std::min(score.both.ber(), 0.35);
  return shown(Output::kErrorDispersion, result,
               "bunch: " + times + "; " + grouped(score.cycle_slips) + " cycle slips; NGMI " +
                   fixed(score.information.normalised, 4) + " where white noise of this BER leaves " +
                   fixed(awgn_ngmi(constellation(modulation), theory_snr(modulation, ber)), 4) +
                   ". The code's waterfall, of white noise, does not hold here");
}

/// A BER that a code closes at, and how far in dB of SNR, white noise, this reception lies above it.
std::string closes_at(double threshold, const Score& score, const Scenario& scenario) {
  const Modulation modulation = scenario_modulation(scenario);
  const double ber = score.both.ber();
  if (ber <= 0.0 || ber > 0.35 || constellation(modulation).is_shaped()) return scientific(threshold);
  const double margin = to_db(theory_snr(modulation, ber) / theory_snr(modulation, threshold));
  return scientific(threshold) + " (" + fixed(std::abs(margin), 2) + " dB " +
         (margin < 0.0 ? "short of it)" : "above it)");
}

/// What the code leaves, beside what is quoted of it.
std::vector<Fact> post_fec_facts(const ReceiverResult& result, const Scenario& scenario) {
  const Score& score = *result.score;
  if (!score.post_fec) return {};
  const fec::PostFec& left = *score.post_fec;
  const Interval interval = post_fec_interval(left, score.interval.high);
  const std::string code = scenario.text("fec.code");
  std::vector<Fact> facts = {
      shown(Output::kPostFecBer, result,
            scientific(left.ber()) + "   (" + grouped(left.errors) + " errors in " + grouped(left.bits) +
                " bits)"),
      {"post_fec_ber_low", "95 % interval", interval.low,
       scientific(interval.low) + " to " + scientific(interval.high) + ", by lost blocks"},
      {"post_fec_ber_high", "", interval.high, ""},
      {"post_fec_errors", "", left.errors, ""},
      {"post_fec_bits", "", left.bits, ""},
      counted(Output::kLostBlocks, result,
              grouped(left.lost_blocks) + " of " + grouped(left.blocks) + " of " + code),
      {"post_fec_blocks", "", left.blocks, ""},
      shown(Output::kIterations, result,
            fixed(left.mean_iterations(), 2) + " of " + std::to_string(fec::most_iterations(code)) +
                " changed anything in a block, in the mean"),
      {"post_fec_most_iterations", "", static_cast<std::uint64_t>(fec::most_iterations(code)), ""},
      dispersion_fact(result, scenario)};
  for (const FecCode& row : fec_codes())
    if (row.name == code)
      facts.push_back({"simulated_threshold_ber", "threshold of the code", row.simulated_ber,
                       closes_at(row.simulated_ber, score, scenario) +
                           " as simulated for 1e-6 after decoding; quoted for 1e-15: " +
                           closes_at(row.threshold_ber, score, scenario)});
  for (Fact& fact : gain_facts(score, left, interval, scenario)) facts.push_back(std::move(fact));
  return facts;
}

std::string beside_truth(const std::optional<double>& truth, const std::string& unit, int places) {
  return truth ? "; truth " + fixed(*truth, places) + unit : std::string();
}

/// What the equaliser's taps say about the path, beside the truth where there is one.
std::vector<Fact> channel_facts(const Capture& capture, const ReceiverResult& result) {
  if (!result.channel) return {};
  const double dgd_ps = 1e12 * result.channel->dgd, pdl_db = to_db(result.channel->pdl),
               left_over = result.in_ps_per_nm(result.channel->beta2_length);
  std::optional<double> dgd, pdl, dispersion;
  if (knows_path(capture)) {
    dgd = capture.truth->dgd_ps;
    pdl = true_pdl_db(*capture.truth);
    const double left =
        capture.truth->dispersion_ps_per_nm - result.in_ps_per_nm(result.compensated_beta2_length);
    dispersion = std::abs(left) < 0.05 ? 0.0 : left;
  }
  const auto skew = result.channel->xy_skew;
  const std::string known_to = skew ? "" : ", but for whole symbols between X and Y";
  std::vector<Fact> facts = {
      shown(Output::kTapsDgd, result, fixed(dgd_ps, 2) + " ps" + known_to + beside_truth(dgd, " ps", 2)),
      shown(Output::kTapsPdl, result, fixed(pdl_db, 2) + " dB" + beside_truth(pdl, " dB", 2)),
      shown(Output::kTapsDispersion, result,
            fixed(left_over, 1) + " ps/nm by the taps" + beside_truth(dispersion, " ps/nm", 1)),
  };
  if (skew)
    facts.push_back(shown(Output::kTapsSkew, result,
                          fixed(1e12 * *skew, 2) + " ps, Y later: skew, and delay along X and Y"));
  return facts;
}

std::string no_lock(const ReceiverResult& result, bool truth) {
  if (truth && !result.score) return "no lock: nothing that was sent was recognised, no BER is given";
  if (!truth && result.least_coherence() < result.coherence_needed)
    return "no lock: the outputs are on no constellation";
  return "no lock: see the warnings";
}

/// One verdict: on the lock where that failed, wholly or in some pieces, else on BER or NGMI, if there is a
/// threshold.
std::vector<Fact> verdict_facts(const Capture& capture, const Scenario& scenario,
                                const ReceiverResult& result, const PieceCount& pieces) {
  std::vector<Fact> facts;
  const std::optional<Threshold> threshold = verdict_threshold(scenario);
  const bool by_ber = threshold && threshold->quality == Quality::kBer;
  const std::string against = !threshold ? ""
                              : by_ber   ? " against a threshold of " + threshold->shown()
                                         : " against a threshold of NGMI " + threshold->shown();
  if (!result.locked) {
    facts.push_back(
        {"verdict", "verdict", std::string("no lock"), no_lock(result, capture.truth.has_value())});
  } else if (pieces.lost > 0) {
    const std::string word =
        "no lock in " + std::to_string(pieces.lost) + " of " + std::to_string(pieces.all) + " pieces";
    facts.push_back({"verdict", "verdict", word, word + "; all numbers are of the others"});
  } else if (result.score && threshold) {
    const std::string word = verdict(*threshold, *result.score);
    facts.push_back({"verdict", "verdict", word, word + against});
  }
  if (result.score && threshold)
    facts.push_back({by_ber ? "threshold_ber" : "threshold_ngmi", "", threshold->value, ""});
  return facts;
}

std::vector<Fact> piece_facts(const PieceCount& pieces) {
  if (pieces.all < 2) return {};
  return {{"pieces", "received in", static_cast<std::uint64_t>(pieces.all),
           std::to_string(pieces.all) + " pieces, " + std::to_string(pieces.lost) +
               " of them without lock, " + std::to_string(pieces.joined) + " joined to the one before"},
          {"pieces_lost", "", static_cast<std::uint64_t>(pieces.lost), ""},
          {"pieces_joined", "", static_cast<std::uint64_t>(pieces.joined), ""}};
}

/// Names are keys of the JSON object and attributes of the result file.
void check_names(const std::vector<Fact>& facts) {
  std::set<std::string> seen;
  for (const Fact& fact : facts)
    if (!fact.name.empty() && !seen.insert(fact.name).second)
      throw std::logic_error("the report has two facts named " + fact.name);
}

}  // namespace

PieceCount count_pieces(const std::vector<PieceResult>& pieces) {
  PieceCount count;
  count.all = pieces.size();
  for (const PieceResult& piece : pieces) {
    count.lost += piece.locked ? 0 : 1;
    count.joined += piece.joined ? 1 : 0;
  }
  return count;
}

std::vector<Fact> receive_report(const Received& received) {
  const auto& [capture, scenario, result, pieces] = received;
  const PieceCount count = count_pieces(pieces);
  std::vector<Fact> facts;
  if (result.score) append(facts, score_facts(result));
  if (result.score) append(facts, post_fec_facts(result, scenario));
  append(facts, verdict_facts(capture, scenario, result, count));
  const bool judged = result.score || scenario.text("signal.modulation") != "gaussian";
  if (result.locked && judged) append(facts, signal_facts(result));
  if (result.locked) append(facts, rate_facts(result, scenario));
  append(facts, how_facts(capture, result));
  if (result.locked) append(facts, channel_facts(capture, result));
  append(facts, counter_facts(capture, result));
  append(facts, piece_facts(count));
  check_names(facts);
  return facts;
}

}  // namespace cohlink
