#include "rx/blocks/phase.h"

#include <algorithm>
#include <cmath>

#include "rx/blocks/amplitude.h"
#include "rx/blocks/frame_knowledge.h"
#include "rx/blocks/operations.h"
#include "rx/blocks/phase_track.h"
#include "rx/quality/cycle_slips.h"
#include "rx/rows/row_operations.h"
#include "sim/signal/scenario/errors.h"
#include "sim/signal/units.h"

namespace cohlink {
namespace {

// Symbols [first, last).
struct Span {
  std::size_t first, last;
};

void add_to(std::vector<double>& total, const std::vector<double>& phase) {
  for (std::size_t k = 0; k < total.size(); ++k) total[k] += phase[k];
}

// Angle / `power` of y conj(a) averaged over about `window` symbols round each: block averages, unwrapped,
// straight lines between the blocks' centres. Only [first, last) is measured.
std::vector<double> slow_angle(Row y, Row a, double power, const Span& measured, std::size_t window) {
  const std::size_t first = measured.first, last = measured.last;
  const std::size_t blocks = std::max<std::size_t>(1, 2 * (last - first) / window);  // half overlapping
  const double length = static_cast<double>(last - first) / static_cast<double>(blocks);
  const auto start_of = [&](std::size_t b) {
    return first + static_cast<std::size_t>(std::ceil(static_cast<double>(b) * length - 1e-9));
  };
  std::vector<std::complex<double>> sums(blocks);
  for (std::size_t b = 0; b < blocks; ++b) {
    const std::size_t from = start_of(b), to = std::min(last, start_of(b + 1));
    if (from < to) sums[b] = correlation(y.subspan(from, to - from), a.subspan(from, to - from)).cross;
  }
  std::vector<double> angle(blocks);
  for (std::size_t b = 0; b < blocks; ++b) {
    const auto sum = sums[b] + (b > 0 ? 0.5 * sums[b - 1] : 0.0) + (b + 1 < blocks ? 0.5 * sums[b + 1] : 0.0);
    angle[b] = std::arg(sum) / power;
  }
  unwrap(angle, kTwoPi / power);
  // Straight lines between the blocks' centres, level beyond the outer ones.
  const std::size_t count = y.size();
  std::vector<double> out(count, angle.front());
  for (std::size_t b = 0; b < blocks; ++b) {
    const double centre = static_cast<double>(first) + (static_cast<double>(b) + 0.5) * length;
    const double slope = b + 1 < blocks ? (angle[b + 1] - angle[b]) / length : 0.0;
    const std::size_t end =
        b + 1 < blocks ? std::min(count, static_cast<std::size_t>(std::ceil(centre + length))) : count;
    for (auto k = static_cast<std::size_t>(std::ceil(centre)); k < end; ++k)
      out[k] = angle[b] + slope * (static_cast<double>(k) - centre);
  }
  return out;
}

}  // namespace

PhaseRecovery::PhaseRecovery(const PhaseParameters& parameters, const Execution& execution) : p_(parameters) {
  if (p_.method == PhaseMethod::kBlindSearch)
    search_.emplace(BlindPhaseSearchParameters{p_.modulation, p_.window, p_.test_phases}, execution);
  if (p_.method == PhaseMethod::kFourthPower)
    fourth_power_.emplace(FourthPowerPhaseParameters{p_.modulation, p_.window});
  if (p_.second_window > 0 && (search_ || fourth_power_))
    second_.emplace(DecisionPhaseParameters{p_.modulation, p_.second_window});
}

PhaseResult PhaseRecovery::operator()(const Field<float>& symbols, std::size_t first, std::size_t last,
                                      const Truth* truth, double removed_hz) const {
  PhaseResult result{scale_to_constellation(symbols, p_.modulation, first, last), {}};
  for (auto& phase : result.phase_rad) phase.assign(symbols.size(), 0.0);
  if (p_.method == PhaseMethod::kOff) return result;
  const auto factors = scale_to_posterior(result.symbols, p_.modulation, first, last);
  recover(result, first, last, truth, removed_hz);
  for (std::size_t p = 0; p < 2; ++p)
    if (factors[p] != 1.0f) scale(*result.symbols.rows()[p], 1.0f / factors[p]);
  return result;
}

void PhaseRecovery::recover(PhaseResult& result, std::size_t first, std::size_t last, const Truth* truth,
                            double removed_hz) const {
  if (p_.method == PhaseMethod::kGenie) {
    genie(result, truth, removed_hz);
    remove_constants(result, first, last);
  } else if (p_.joint) {
    joint(result, first, last);
    remove_leftover(result, first, last, kSlowWindow);
    refine(result, {&result.symbols.x, &result.symbols.y});
    count_slips(result, 1, first, last);
  } else {
    separate(result);
    for (auto* row : result.symbols.rows()) refine(result, {row});
    count_slips(result, 2, first, last);
  }
}

PhaseResult PhaseRecovery::aided(Field<float> symbols, const KnownSymbols& known, std::size_t first,
                                 std::size_t last) const {
  PhaseResult result{std::move(symbols), {}};
  const TogetherSeen seen(known.places, known_products(result.symbols, known));
  result.phase_rad = seen.phase_between(seen.walk(), 0, result.symbols.size());
  for (std::size_t p = 0; p < 2; ++p) turn_back(*result.symbols.rows()[p], result.phase_rad[p]);
  if (!constellation(p_.modulation).is_shaped()) correct(result);
  remove_leftover(result, first, last, kSlowWindow);
  if (p_.joint)
    refine(result, {&result.symbols.x, &result.symbols.y});
  else
    for (auto* row : result.symbols.rows()) refine(result, {row});
  return result;
}

// Takes off what the blind method finds beyond the phase that is known.
void PhaseRecovery::correct(PhaseResult& result) const {
  const auto rows = result.symbols.rows();
  for (std::size_t from = 0; from < 2; from += p_.joint ? 2 : 1) {
    std::vector<const std::complex<float>*> shared;
    for (std::size_t p = from; p < (p_.joint ? 2 : from + 1); ++p) shared.push_back(rows[p]->data());
    std::vector<double> phase = estimate(shared, result.symbols.size());
    for (double& angle : phase) angle = std::remainder(angle, 0.5 * kPi);
    for (std::size_t p = from; p < from + shared.size(); ++p) {
      turn_back(*rows[p], phase);
      add_to(result.phase_rad[p], phase);
    }
  }
}

// The second stage on rows that share their phase.
void PhaseRecovery::refine(PhaseResult& result, const std::vector<ComplexRow<float>*>& shared) const {
  if (!second_) return;
  std::vector<const std::complex<float>*> rows;
  for (const auto* row : shared) rows.push_back(row->data());
  const std::vector<double> phase = (*second_)(rows, result.phase_rad[shared.front() == &result.symbols.y]);
  for (auto* row : shared) {
    turn_back(*row, phase);
    add_to(result.phase_rad[row == &result.symbols.y], phase);
  }
}

void PhaseRecovery::count_slips(PhaseResult& result, std::size_t tracks, std::size_t first,
                                std::size_t last) const {
  result.suspected_slips = 0;
  for (std::size_t p = 0; p < tracks; ++p) {
    const std::span<const double> track(result.phase_rad[p]);
    const auto slips =
        suspected_slips(track.subspan(first, last - first), static_cast<std::size_t>(p_.window));
    if (!slips) result.suspected_slips.reset();
    if (!result.suspected_slips) return;
    *result.suspected_slips += *slips;
  }
}

Operations PhaseRecovery::cost() const {
  if (p_.method == PhaseMethod::kOff || p_.method == PhaseMethod::kGenie) return {};
  const int rows = p_.joint ? 2 : 1, estimates = p_.joint ? 1 : 2;
  Operations one = search_ ? phase_search_operations(p_.modulation, p_.test_phases, rows)
                           : fourth_power_operations(p_.modulation, rows);
  const Operations turned = static_cast<double>(rows) * kComplexProduct + Operations{0, 0, 1};
  one += turned;
  if (p_.joint && search_ && constellation(p_.modulation).is_shaped())  // what fourfold() finds of each row
    one += 2.0 * phase_search_operations(p_.modulation, p_.test_phases, 1);
  if (second_) one += decision_phase_operations(p_.modulation, rows) + turned;
  return static_cast<double>(estimates) * one;
}

std::vector<double> PhaseRecovery::estimate(std::span<const std::complex<float>* const> rows,
                                            std::size_t count) const {
  return search_ ? (*search_)(rows, count) : (*fourth_power_)(rows, count);
}

// What the row's phase makes of the fourth power of a symbol: of shaped formats, whose own is too near to
// nothing (64QAM of 5.3 bits: 0.05 of what its size allows), from the row's own estimate.
ComplexRow<float> PhaseRecovery::fourfold(const ComplexRow<float>& row) const {
  if (!constellation(p_.modulation).is_shaped()) return fourth_powers(row);
  const std::complex<float>* rows[] = {row.data()};
  std::vector<double> phase = estimate(rows, row.size());
  for (double& angle : phase) angle *= -4.0;
  return phasors_back(phase);
}

void PhaseRecovery::joint(PhaseResult& result, std::size_t first, std::size_t last) const {
  auto &x = result.symbols.x, &y = result.symbols.y;
  const auto angle = slow_angle(fourfold(y), fourfold(x), 4.0, {first, last}, kAngleWindow);
  turn_back(y, angle);
  const std::complex<float>* rows[] = {x.data(), y.data()};
  const auto phase = estimate(rows, x.size());
  turn_back(x, phase);
  turn_back(y, phase);
  result.phase_rad[0] = phase;
  result.phase_rad[1] = phase;
  add_to(result.phase_rad[1], angle);
}

void PhaseRecovery::separate(PhaseResult& result) const {
  for (std::size_t p = 0; p < 2; ++p) {
    auto& row = *result.symbols.rows()[p];
    const std::complex<float>* rows[] = {row.data()};
    result.phase_rad[p] = estimate(rows, row.size());
    turn_back(row, result.phase_rad[p]);
  }
}

// Symbols that a clock's delay or offset may add at the end of a capture, inside the edge that is discarded.
static constexpr std::size_t kClockSurplus = 4;

void PhaseRecovery::genie(PhaseResult& result, const Truth* truth, double removed_hz) const {
  const std::size_t count = result.symbols.size();
  if (truth == nullptr)
    throw InputError("dsp.phase_recovery = genie needs the truth, which this capture does not have");
  if (truth->tx_phase_rad.empty())
    throw InputError(
        "dsp.phase_recovery = genie needs the lasers' phases, and known symbols alone hold none");
  const std::size_t known = std::min(truth->tx_phase_rad.size(), truth->lo_phase_rad.size());
  if (known + kClockSurplus < count)
    throw InputError("dsp.phase_recovery = genie: the truth's laser phases are shorter than the capture");
  const double turn = kTwoPi * (truth->frequency_offset_hz - removed_hz) / result.symbols.sample_rate;
  std::vector<double> phase(count);
  for (std::size_t k = 0; k < count; ++k) {
    const std::size_t at = std::min(k, known - 1);
    phase[k] = truth->tx_phase_rad[at] - truth->lo_phase_rad[at] + turn * static_cast<double>(k);
  }
  turn_back(result.symbols.x, phase);
  turn_back(result.symbols.y, phase);
  result.phase_rad = {phase, phase};
}

std::vector<double> PhaseRecovery::constant_angle(const ComplexRow<float>& row, std::size_t first,
                                                  std::size_t last) const {
  const std::size_t count = last - first;
  if (!constellation(p_.modulation).is_shaped())
    return slow_angle(fourth_powers(row), ComplexRow<float>(row.size(), -1.0f), 4.0, {first, last},
                      2 * count);
  constexpr std::size_t kEnough = 8192;
  const BlindPhaseSearch search({p_.modulation, p_.window, p_.test_phases});
  return std::vector<double>(row.size(),
                             search.block_phase(Row(row).subspan(first, std::min(count, kEnough))));
}

// Each row's angle against the grid: coarsely from fourth powers, of shaped formats by a search, then from
// decisions.
void PhaseRecovery::remove_constants(PhaseResult& result, std::size_t first, std::size_t last) const {
  if (constellation(p_.modulation).empty()) return;
  for (std::size_t p = 0; p < 2; ++p) {
    auto& row = *result.symbols.rows()[p];
    const auto angle = constant_angle(row, first, last);
    turn_back(row, angle);
    add_to(result.phase_rad[p], angle);
  }
  remove_leftover(result, first, last, 2 * (last - first));
}

void PhaseRecovery::remove_leftover(PhaseResult& result, std::size_t first, std::size_t last,
                                    std::size_t window) const {
  for (std::size_t p = 0; p < 2; ++p) {
    auto& row = *result.symbols.rows()[p];
    const auto angle =
        slow_angle(row, nearest_points(row, constellation(p_.modulation)), 1.0, {first, last}, window);
    turn_back(row, angle);
    add_to(result.phase_rad[p], angle);
  }
}

}  // namespace cohlink
