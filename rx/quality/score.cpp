#include "rx/quality/score.h"

#include <algorithm>
#include <cmath>

#include "rx/quality/alignment.h"
#include "rx/quality/bit_likelihood.h"
#include "sim/signal/constellation.h"
#include "sim/signal/pilots.h"
#include "sim/signal/scenario/errors.h"
#include "sim/signal/units.h"

namespace cohlink {
namespace {

// Correlation of kSlipBlock symbols with what was sent, from which on they match: unrelated ones reach it in
// exp(-0.35^2 64) = 4e-4 of blocks, and at an SNR of 0 dB it is 0.7. Four such blocks are no chance.
constexpr double kMatch = 0.35;
constexpr std::size_t kMisplacedBlocks = 4;

const char* polarisation_name(int source) { return source == 0 ? "X" : "Y"; }

// One output next to what was sent on its polarisation: symbols [first, last), turned onto the truth.
struct Pair {
  std::vector<std::complex<float>> received;
  Symbols sent;
  std::vector<std::size_t> index;  // of each symbol in the transmitted row
  std::vector<int> turns;          // quarter turns removed, per kSlipBlock symbols
  std::vector<bool> matches;       // whether each of those blocks is what was sent, turned
};

Pair pair_up(const ComplexRow<float>& row, const Symbols& sent, long delay, std::size_t first,
             std::size_t last) {
  const auto n = static_cast<long>(sent.size());
  Pair pair;
  pair.received.assign(row.begin() + static_cast<std::ptrdiff_t>(first),
                       row.begin() + static_cast<std::ptrdiff_t>(last));
  pair.sent.resize(last - first);
  pair.index.resize(last - first);
  auto index = static_cast<std::size_t>(((static_cast<long>(first) - delay) % n + n) % n);
  for (std::size_t k = 0; k < last - first; ++k) {
    pair.sent[k] = sent[index];
    pair.index[k] = index;
    if (++index == sent.size()) index = 0;
  }
  return pair;
}

int quarter_turn(const std::complex<double>& correlation) {
  return (static_cast<int>(std::lround(std::arg(correlation) / (0.5 * kPi))) + 4) % 4;
}

std::complex<float> turned_back(std::complex<float> y, int turns) {
  constexpr std::complex<float> kBack[4] = {{1, 0}, {0, -1}, {-1, 0}, {0, 1}};
  return y * kBack[turns];
}

// Where each block of kSlipBlock symbols ends; a last, shorter block goes with the one before.
std::vector<std::size_t> block_ends(std::size_t count) {
  std::vector<std::size_t> ends;
  for (std::size_t start = 0; start < count; start = ends.back())
    ends.push_back(count - start < 2 * kSlipBlock ? count : start + kSlipBlock);
  return ends;
}

// Finds and removes each block's quarter turn. A rotation that all blocks share (nonlinear phase, say) is no
// turn: it is measured first, by the fourth power of the blocks' angles, which knows no quarter turns.
void remove_turns(Pair& pair) {
  const auto ends = block_ends(pair.received.size());
  std::vector<std::complex<double>> sums(ends.size());
  std::complex<double> fourth = 0.0;
  for (std::size_t b = 0, k = 0; b < ends.size(); ++b) {
    double received = 0.0, sent = 0.0;
    for (; k < ends[b]; ++k) {
      sums[b] += std::complex<double>(pair.received[k]) * std::conj(pair.sent[k]);
      received += std::norm(pair.received[k]);
      sent += std::norm(pair.sent[k]);
    }
    pair.matches.push_back(std::abs(sums[b]) > kMatch * std::sqrt(received * sent));
    if (std::abs(sums[b]) > 0.0) fourth += std::pow(sums[b] / std::abs(sums[b]), 4);
  }
  const auto shared = std::polar(1.0, -0.25 * std::arg(fourth));
  for (std::size_t b = 0, k = 0; b < ends.size(); ++b) {
    const int turns = quarter_turn(sums[b] * shared);
    for (; turns != 0 && k < ends[b]; ++k) pair.received[k] = turned_back(pair.received[k], turns);
    k = ends[b];
    pair.turns.push_back(turns);
  }
}

// Of the blocks that have a turn: slips, the first turn and the last.
struct Turns {
  std::size_t slips = 0;
  int first = 0, last = 0;
};

Turns follow_turns(const Pair& pair) {
  Turns turns{0, pair.turns.front(), pair.turns.back()};
  bool any = false;
  for (std::size_t b = 0; b < pair.turns.size(); ++b) {
    if (!pair.matches[b]) continue;
    if (any) turns.slips += pair.turns[b] != turns.last;
    if (!any) turns.first = pair.turns[b];
    turns.last = pair.turns[b];
    any = true;
  }
  return turns;
}

// Symbols in runs of at least kMisplacedBlocks blocks without a match.
std::size_t count_misplaced(const Pair& pair) {
  std::size_t misplaced = 0, run = 0;
  for (std::size_t b = 0; b <= pair.matches.size(); ++b)
    if (b < pair.matches.size() && !pair.matches[b]) {
      ++run;
    } else {
      if (run >= kMisplacedBlocks) misplaced += run * kSlipBlock;
      run = 0;
    }
  return misplaced;
}

ErrorCount count_errors(const std::vector<std::complex<float>>& received,
                        const std::vector<std::size_t>& index, const Bits& sent, const ScoreParameters& p) {
  const auto per_symbol = static_cast<std::size_t>(bits_per_symbol(p.modulation));
  const Symbols wide(received.begin(), received.end());
  const Bits decided = decide_bits(p.modulation, wide, p.differential);
  ErrorCount count;
  // Differential decoding needs the symbol before: the first only serves as that.
  for (std::size_t k = p.differential ? 1 : 0; k < received.size(); ++k)
    for (std::size_t b = 0; b < per_symbol; ++b) {
      // The transmitted row's first symbol was coded against quadrant 0, not against the row's last.
      if (p.differential && index[k] == 0) continue;
      if (is_pilot(index[k], p.pilot_spacing)) continue;
      count.errors += decided[k * per_symbol + b] != sent[index[k] * per_symbol + b];
      ++count.bits;
    }
  return count;
}

// The payload after the fitted gain is taken out; the noise's power is then that of what was sent over the
// SNR. Noise below 1e-9 of the signal would only divide by zero.
struct Payload {
  std::vector<std::complex<float>> received;
  Symbols sent;
  double noise = 0.0;
};

Payload payload_of(const Pair& pair, const ErrorVector& fit, const ScoreParameters& p) {
  const auto back = std::complex<float>(1.0 / fit.gain);
  Payload payload;
  payload.received.reserve(pair.received.size());
  payload.sent.reserve(pair.sent.size());
  for (std::size_t k = 0; k < pair.received.size(); ++k) {
    if (is_pilot(pair.index[k], p.pilot_spacing)) continue;
    payload.received.push_back(back * pair.received[k]);
    payload.sent.push_back(pair.sent[k]);
  }
  payload.noise = std::max(mean_power(std::span<const std::complex<double>>(pair.sent)) / fit.snr, 1e-9);
  return payload;
}

// Bits of both polarisations in turn, a symbol's of each, as a transmitter lays them.
std::vector<float> interleaved(const std::array<std::vector<float>, 2>& rows, std::size_t per_symbol) {
  if (rows[0].empty() || rows[1].empty()) return rows[0].empty() ? rows[1] : rows[0];
  std::vector<float> out;
  const std::size_t count = std::min(rows[0].size(), rows[1].size());
  out.reserve(2 * count);
  for (std::size_t first = 0; first + per_symbol <= count; first += per_symbol)
    for (const auto& row : rows)
      out.insert(out.end(), row.begin() + static_cast<std::ptrdiff_t>(first),
                 row.begin() + static_cast<std::ptrdiff_t>(first + per_symbol));
  return out;
}

std::optional<fec::PostFec> decode(const std::array<std::vector<float>, 2>& likelihoods,
                                   const ScoreParameters& p, const Execution& execution,
                                   std::vector<std::string>& warnings) {
  const std::vector<float> all =
      interleaved(likelihoods, static_cast<std::size_t>(bits_per_symbol(p.modulation)));
  if (all.size() >= fec::least_bits(p.decode)) return fec::decode_flipped(p.decode, all, execution);
  warnings.push_back("nothing decoded: " + p.decode + " takes at least " +
                     std::to_string(fec::least_bits(p.decode)) + " bits at a time, and " +
                     std::to_string(all.size()) + " were scored");
  return std::nullopt;
}

// A truth from elsewhere may be incomplete or belong to another modulation.
void check_truth(const Truth& truth, Modulation modulation) {
  const std::size_t count = truth.symbols[0].size();
  if (count == 0 || truth.symbols[1].size() != count)
    throw InputError("the capture's truth has no symbols, or not as many on Y as on X");
  const auto bits = count * static_cast<std::size_t>(bits_per_symbol(modulation));
  for (const auto& row : truth.bits)
    if (!row.empty() && row.size() != bits)
      throw InputError("the capture's truth has " + std::to_string(row.size()) +
                       " bits a polarisation where " + std::to_string(count) +
                       " symbols of signal.modulation = " + std::string(modulation_name(modulation)) +
                       " have " + std::to_string(bits));
}

bool warn_of_no_lock(const Alignment& alignment, std::size_t rows, std::vector<std::string>& warnings) {
  bool lost = false;
  for (std::size_t i = 0; i < rows; ++i)
    if (!alignment.found(i)) {
      warnings.push_back(std::string("no lock: output ") + polarisation_name(static_cast<int>(i)) +
                         " matches nothing that was sent; no BER is given");
      lost = true;
    }
  if (!lost && rows == 2 && alignment.same_source()) {
    warnings.push_back(std::string("both outputs carry transmitted polarisation ") +
                       polarisation_name(alignment.source[0]) + ", the other is lost; no BER is given");
    lost = true;
  }
  return lost;
}

}  // namespace

std::optional<Score> score_symbols(const Field<float>& received, std::size_t first, std::size_t last,
                                   const Truth& truth, const ScoreParameters& p, const Execution& execution,
                                   std::vector<std::string>& warnings) {
  check_truth(truth, p.modulation);
  const Alignment alignment = align(received, first, last, truth.symbols, execution.ffts());
  if (warn_of_no_lock(alignment, p.rows, warnings)) return std::nullopt;
  Score score;
  score.swapped = alignment.source[0] == 1;
  score.symbols = last - first;
  std::array<ErrorVector, 2> fit;
  std::array<Information, 2> information;
  std::array<std::vector<float>, 2> likelihoods;
  for (std::size_t i = 0; i < p.rows; ++i) {
    execution.check();
    const auto source = static_cast<std::size_t>(alignment.source[i]);
    Pair pair = pair_up(*received.rows()[i], truth.symbols[source], alignment.delay[i], first, last);
    const std::vector<std::complex<float>> as_received = pair.received;
    remove_turns(pair);
    // With pilots nothing is put right from the truth: the fit takes out one rotation of the whole row.
    if (p.pilot_spacing > 0) pair.received = as_received;
    fit[source] = error_vector(pair.received, pair.sent);
    if (!constellation(p.modulation).empty() && fit[source].snr > 0.0) {
      const Payload payload = payload_of(pair, fit[source], p);
      information[source] =
          achievable_information(payload.received, payload.sent, payload.noise, p.modulation, execution);
      if (!p.decode.empty())
        likelihoods[source] =
            flipped_likelihoods(payload.received, payload.sent, payload.noise, p.modulation, execution);
    }
    score.snr_db_polarisation[source] = fit[source].snr_db();
    const Turns turns = follow_turns(pair);
    score.cycle_slips += turns.slips;
    score.misplaced += count_misplaced(pair);
    score.quarter_turns[source] = turns.first;
    score.last_quarter_turns[source] = turns.last;
    score.delay_symbols[source] = alignment.delay[i];
    if (!constellation(p.modulation).empty() && !truth.bits[source].empty())
      score.polarisation[source] =
          count_errors(p.differential ? as_received : pair.received, pair.index, truth.bits[source], p);
    score.both += score.polarisation[source];
  }
  if (!p.decode.empty()) score.post_fec = decode(likelihoods, p, execution, warnings);
  score.bunching = error_bunching(p.modulation, p.differential);
  score.interval = error_interval(score.both, score.bunching);
  score.q_db = q_from_ber_db(score.both.ber());
  const auto only = static_cast<std::size_t>(alignment.source[0]);
  const ErrorVector both = p.rows == 2 ? combine(fit[0], fit[1]) : fit[only];
  score.snr_db = both.snr_db();
  score.evm_percent = both.evm_percent();
  score.information = p.rows == 2 ? mean(information[0], information[1]) : information[only];
  return score;
}

ErrorVector decision_aided(const Field<float>& received, std::size_t first, std::size_t last,
                           Modulation modulation, std::size_t rows) {
  std::array<ErrorVector, 2> fit;
  for (std::size_t i = 0; i < rows; ++i) {
    const ComplexRow<float>& row = *received.rows()[i];
    const std::span<const std::complex<float>> scored(row.data() + first, last - first);
    Symbols decided;
    decided.reserve(scored.size());
    for (const auto& y : scored) decided.push_back(nearest_point(modulation, std::complex<double>(y)));
    fit[i] = error_vector(scored, decided);
  }
  return rows == 2 ? combine(fit[0], fit[1]) : fit[0];
}

}  // namespace cohlink
