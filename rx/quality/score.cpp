#include "rx/quality/score.h"

#include <algorithm>
#include <cmath>
#include <utility>

#include "rx/quality/alignment.h"
#include "rx/quality/bit_likelihood.h"
#include "rx/quality/error_count.h"
#include "rx/rows/row_operations.h"
#include "sim/signal/constellation.h"
#include "sim/signal/record/known_symbols.h"
#include "sim/signal/scenario/errors.h"
#include "sim/signal/shaping.h"
#include "sim/signal/units.h"

namespace cohlink {
namespace {

// Correlation of kSlipBlock symbols with what was sent, from which on they match: unrelated ones reach it in
// exp(-0.35^2 64) = 4e-4 of blocks, and at an SNR of 0 dB it is 0.7. Four such blocks are no chance.
constexpr double kMatch = 0.35;
constexpr std::size_t kMisplacedBlocks = 4;

const char* polarisation_name(int source) { return source == 0 ? "X" : "Y"; }

// One output next to what was sent on its polarisation: symbols [first, last).
struct Pair {
  ComplexRow<float> received, sent;
  Position at;
  std::vector<int> turns;     // quarter turns against the truth, per kSlipBlock symbols
  std::vector<bool> matches;  // whether each of those blocks is what was sent, turned
};

Pair pair_up(const ComplexRow<float>& row, const Symbols& sent, long delay, std::size_t first,
             std::size_t last) {
  const auto n = static_cast<long>(sent.size());
  Pair pair;
  pair.received.assign(row.begin() + static_cast<std::ptrdiff_t>(first),
                       row.begin() + static_cast<std::ptrdiff_t>(last));
  pair.sent.resize(last - first);
  pair.at = {static_cast<std::size_t>(((static_cast<long>(first) - delay) % n + n) % n), sent.size()};
  for (std::size_t k = 0, from = pair.at.start; k < pair.sent.size(); from = 0) {
    const std::size_t run = std::min(pair.sent.size() - k, sent.size() - from);
    narrow(std::span(sent).subspan(from, run), std::span(pair.sent).subspan(k, run));
    k += run;
  }
  return pair;
}

// Nearest to the angle of a correlation.
int quarter_turn(const std::complex<double>& correlation) {
  const double re = correlation.real(), im = correlation.imag();
  if (std::abs(re) >= std::abs(im)) return re >= 0.0 ? 0 : 2;
  return im > 0.0 ? 1 : 3;
}

std::complex<float> back_by(int turns) {
  constexpr std::complex<float> kBack[4] = {{1, 0}, {0, -1}, {-1, 0}, {0, 1}};
  return kBack[turns];
}

// Of each block of kSlipBlock symbols; a last, shorter block goes with the one before.
std::vector<Correlation> block_correlations(const Pair& pair) {
  static_assert(kSlipBlock == Correlation::kRun);
  std::vector<Correlation> blocks = correlations(pair.received, pair.sent);
  if (blocks.size() > 1 && pair.sent.size() % kSlipBlock != 0) {
    const Correlation last = blocks.back();
    blocks.pop_back();
    blocks.back() += last;
  }
  return blocks;
}

// Finds each block's quarter turn. A rotation that all blocks share (nonlinear phase, say) is no turn: it is
// measured first, by the fourth power of the blocks' angles, which knows no quarter turns.
void find_turns(Pair& pair) {
  const std::vector<Correlation> blocks = block_correlations(pair);
  std::complex<double> fourth = 0.0;
  for (const Correlation& block : blocks) {
    const double size = std::norm(block.cross);
    pair.matches.push_back(size > kMatch * kMatch * block.of_y * block.of_a);
    const std::complex<double> square = block.cross * block.cross;
    if (size > 0.0) fourth += square * square / (size * size);
  }
  const auto shared = std::polar(1.0, -0.25 * std::arg(fourth));
  for (const Correlation& block : blocks) pair.turns.push_back(quarter_turn(block.cross * shared));
}

void remove_turns(Pair& pair) {
  for (std::size_t b = 0; b < pair.turns.size(); ++b) {
    if (pair.turns[b] == 0) continue;
    const std::size_t from = b * kSlipBlock,
                      to = b + 1 < pair.turns.size() ? from + kSlipBlock : pair.received.size();
    scale(std::span(pair.received).subspan(from, to - from), back_by(pair.turns[b]));
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

// What carries data of a row, and how it fits.
struct Payload {
  ComplexRow<float> received, sent;
  ErrorVector fit;
};

// Takes those places out of a row.
void take_out(ComplexRow<float>& row, const std::vector<std::size_t>& places) {
  std::size_t kept = 0, next = 0;
  for (std::size_t k = 0; k < row.size(); ++k)
    if (next < places.size() && places[next] == k)
      ++next;
    else
      row[kept++] = row[k];
  row.resize(kept);
}

Payload payload_of(Pair pair, const ScoreParameters& p) {
  Payload payload{std::move(pair.received), std::move(pair.sent), {}};
  if (!p.layout.has_payload_alone()) {
    const auto others = not_payload_among(pair.at, payload.sent.size(), p.layout);
    take_out(payload.received, others);
    take_out(payload.sent, others);
  }
  payload.fit = error_vector(payload.received, payload.sent);
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

// A truth from elsewhere may be incomplete or belong to another modulation.
void check_truth(const Truth& truth, Modulation modulation) {
  const std::size_t count = truth.symbols[0].size();
  if (count == 0 || truth.symbols[1].size() != count)
    throw InputError("the capture's truth has no symbols, or not as many on Y as on X");
  if (const Modulation sent = truth.shaped.value_or(Modulation(modulation.row())); sent != modulation)
    throw InputError(Origin(), "signal.entropy_bits",
                     "is not what was sent: the truth has symbols of " + modulation_title(sent) +
                         ", the receiver is told " + modulation_title(modulation));
  const auto bits = count * static_cast<std::size_t>(bits_per_symbol(modulation));
  for (const auto& row : truth.bits)
    if (!row.empty() && row.size() != bits)
      throw InputError("the capture's truth has " + std::to_string(row.size()) +
                       " bits a polarisation where " + std::to_string(count) +
                       " symbols of signal.modulation = " + std::string(modulation_name(modulation)) +
                       " have " + std::to_string(bits));
}

// Those of the file, else those that the symbols stand for; none where they are no points of the format.
Bits bits_of(const Truth& truth, std::size_t source, const ScoreParameters& p) {
  if (!truth.bits[source].empty() || constellation(p.modulation).empty()) return truth.bits[source];
  Symbols points = truth.symbols[source];
  return settle_on_points(p.modulation, points) ? decide_bits(p.modulation, points, p.differential) : Bits();
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

// Counts row by row, then draws the rows together.
class Scorer {
 public:
  Scorer(const Truth& truth, const ScoreParameters& p, const Execution& execution)
      : truth_(truth), p_(p), execution_(execution) {}

  /// A row next to what it carries, transmitted polarisation `source`, `delay` symbols late.
  void add(Pair pair, std::size_t source, long delay) {
    find_turns(pair);
    const Turns turns = follow_turns(pair);
    score_.cycle_slips += turns.slips;
    score_.misplaced += count_misplaced(pair);
    score_.quarter_turns[source] = turns.first;
    score_.last_quarter_turns[source] = turns.last;
    score_.delay_symbols[source] = delay;
    count(pair, source);
    Payload payload = payload_of(std::move(pair), p_);
    score_.symbols = payload.sent.size();
    fit_[source] = payload.fit;
    score_.snr_db_polarisation[source] = fit_[source].snr_db();
    if (constellation(p_.modulation).empty() || !(fit_[source].snr > 0.0)) return;
    inform(std::move(payload), source);
  }

  /// `only`: the polarisation counted where one was.
  Score conclude(std::size_t only, std::vector<std::string>& warnings) {
    if (!p_.decode.empty()) {
      score_.likelihoods =
          interleaved(likelihoods_, static_cast<std::size_t>(bits_per_symbol(p_.modulation)));
      if (p_.frames == 1)
        score_.post_fec = decode(std::exchange(score_.likelihoods, {}), p_.decode, execution_, warnings);
    }
    score_.bunching = error_bunching(p_.modulation, p_.differential);
    score_.interval = error_interval(score_.both, score_.bunching);
    score_.q_db = q_from_ber_db(score_.both.ber());
    const ErrorVector both = p_.rows == 2 ? combine(fit_[0], fit_[1]) : fit_[only];
    score_.snr_db = both.snr_db();
    score_.evm_percent = both.evm_percent();
    score_.information = p_.rows == 2 ? mean(information_[0], information_[1]) : information_[only];
    return score_;
  }

 private:
  // Of shaped points the likeliest are decided, at the noise that likelihoods are computed with.
  ErrorCount count_points(const Pair& pair, const Bits& sent) const {
    const Constellation& points = constellation(p_.modulation);
    if (!points.is_shaped()) return count_errors(pair.received, pair.at, sent, p_.modulation, p_.layout);
    ComplexRow<float> row = pair.received;
    const double snr = error_vector(pair.received, pair.sent).snr;
    if (snr > 0.0) scale(row, static_cast<float>(points.posterior_scale(1.0 / snr)));
    return count_errors(row, pair.at, sent, p_.modulation, p_.layout);
  }

  void count(Pair& pair, std::size_t source) {
    const Bits sent = bits_of(truth_, source, p_);
    const bool counted = !constellation(p_.modulation).empty() && !sent.empty();
    ErrorCount& errors = score_.polarisation[source];
    if (counted && p_.differential)
      errors = count_differential_errors(pair.received, pair.at, sent, p_.modulation, p_.layout);
    // With pilots nothing is put right from the truth: the fit takes out one rotation of the whole row.
    if (!p_.turned_by_pilots) remove_turns(pair);
    if (counted && !p_.differential) errors = count_points(pair, sent);
    score_.both += errors;
  }

  // After the fitted gain is taken out the noise's power is that of what was sent over the SNR. Noise below
  // 1e-9 of the signal would only divide by zero.
  void inform(Payload payload, std::size_t source) {
    const double noise = std::max(mean_power(payload.sent) / payload.fit.snr, 1e-9);
    scale(payload.received, std::complex<float>(1.0 / payload.fit.gain));
    information_[source] =
        achievable_information(payload.received, payload.sent, noise, p_.modulation, execution_);
    if (p_.decode.empty()) return;
    likelihoods_[source] =
        flipped_likelihoods(payload.received, Symbols(payload.sent.begin(), payload.sent.end()), noise,
                            p_.modulation, execution_);
  }

  const Truth& truth_;
  const ScoreParameters& p_;
  const Execution& execution_;
  Score score_;
  std::array<ErrorVector, 2> fit_;
  std::array<Information, 2> information_;
  std::array<std::vector<float>, 2> likelihoods_;
};

}  // namespace

std::optional<fec::PostFec> decode(std::span<const float> likelihoods, const std::string& code,
                                   const Execution& execution, std::vector<std::string>& warnings) {
  if (likelihoods.size() >= fec::least_bits(code)) return fec::decode_flipped(code, likelihoods, execution);
  warnings.push_back("nothing decoded: " + code + " takes at least " + std::to_string(fec::least_bits(code)) +
                     " bits at a time, and " + std::to_string(likelihoods.size()) + " were scored");
  return std::nullopt;
}

std::optional<Score> score_symbols(const Judged& judged, const Truth& truth, const ScoreParameters& p,
                                   const Execution& execution, std::vector<std::string>& warnings) {
  check_truth(truth, p.modulation);
  const auto& [received, first, last] = judged;
  const Alignment alignment = align(received, first, last, truth.symbols, execution.ffts());
  if (warn_of_no_lock(alignment, p.rows, warnings)) return std::nullopt;
  Scorer scorer(truth, p, execution);
  for (std::size_t i = 0; i < p.rows; ++i) {
    execution.check();
    const auto source = static_cast<std::size_t>(alignment.source[i]);
    scorer.add(pair_up(*received.rows()[i], truth.symbols[source], alignment.delay[i], first, last), source,
               alignment.delay[i]);
  }
  Score score = scorer.conclude(static_cast<std::size_t>(alignment.source[0]), warnings);
  score.swapped = alignment.source[0] == 1;
  return score;
}

ErrorVector decision_aided(const Field<float>& received, std::size_t first, std::size_t last,
                           Modulation modulation, std::size_t rows) {
  std::array<ErrorVector, 2> fit;
  for (std::size_t i = 0; i < rows; ++i) {
    const Row scored(received.rows()[i]->data() + first, last - first);
    fit[i] = error_vector(scored, nearest_points(scored, constellation(modulation)));
  }
  return rows == 2 ? combine(fit[0], fit[1]) : fit[0];
}

}  // namespace cohlink
