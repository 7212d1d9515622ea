#include "rx/chain/join.h"

#include <cmath>
#include <string>

#include "rx/blocks/clock_recovery.h"
#include "sim/signal/units.h"

namespace cohlink {
namespace {

constexpr double kSeamAgreement = 0.9, kSeamAngle = 20.0 * kPi / 180;  // of two pieces' common symbols

// Where the capture's first symbol lies among those of the piece before.
std::ptrdiff_t place_in_piece_before(const Carried& c) {
  const auto& before = c.from->before.clock_delay;
  double drift = 0.0;
  if (!before.empty() && !c.result.clock_delay.empty()) {
    const auto centre = static_cast<double>(ClockRecovery::kHop);
    drift = clock_delay_at(c.result.clock_delay, centre) -
            clock_delay_at(before, centre + static_cast<double>(c.from->hop));
  }
  return static_cast<std::ptrdiff_t>(c.from->hop) + std::lround(drift);
}

}  // namespace

std::optional<std::size_t> join(Field<float>& symbols, std::size_t first, const Carried& c) {
  const ReceiverResult& before = c.from->before;
  const std::ptrdiff_t place = place_in_piece_before(c);
  const auto end = static_cast<std::ptrdiff_t>(before.first_judged + before.judged_symbols) - place;
  if (end < static_cast<std::ptrdiff_t>(first + kSeam / 4)) return std::nullopt;
  const auto to = static_cast<std::size_t>(end);
  if (to >= symbols.size()) return std::nullopt;
  std::array<std::complex<float>, 2> turn;
  for (std::size_t i = 0; i < 2; ++i) {
    std::complex<double> sum = 0.0;
    double power = 0.0, new_power = 0.0;
    for (std::size_t k = first; k < to; ++k) {
      const std::complex<double> old(
          (*before.symbols.rows()[i])[static_cast<std::size_t>(static_cast<std::ptrdiff_t>(k) + place)]);
      const std::complex<double> now((*symbols.rows()[i])[k]);
      sum += old * std::conj(now);
      power += std::norm(old);
      new_power += std::norm(now);
    }
    const double quarter = 0.5 * kPi, nearest = quarter * std::round(std::arg(sum) / quarter);
    if (std::abs(sum) < kSeamAgreement * std::sqrt(power * new_power) ||
        std::abs(std::arg(sum) - nearest) > kSeamAngle)
      return std::nullopt;
    turn[i] = std::complex<float>(std::polar(1.0, nearest));
  }
  for (std::size_t i = 0; i < 2; ++i)
    for (auto& y : *symbols.rows()[i]) y *= turn[i];
  return to;
}

void check_sequence(ReceiverResult& result, const Carried& c) {
  if (!c.from->before.score) return;
  const Score& before = *c.from->before.score;
  Score& now = *result.score;
  if (before.swapped != now.swapped) {
    result.warnings.push_back("X and Y have changed places since the piece before");
    return;
  }
  const long length = static_cast<long>(c.truth->symbols[0].size()),
             place = static_cast<long>(place_in_piece_before(c));
  for (std::size_t p = 0; p < 2; ++p) {
    if (result.one_polarisation && (p == 1) != now.swapped) continue;
    long jump = (before.delay_symbols[p] - place - now.delay_symbols[p]) % length;
    if (2 * jump > length) jump -= length;
    if (2 * jump < -length) jump += length;
    if (jump != 0)
      result.warnings.push_back("what was sent on " + std::string(p == 0 ? "X" : "Y") + " jumps by " +
                                std::to_string(jump) +
                                " symbols from the piece before to this one: samples " +
                                (jump > 0 ? "missing" : "recorded twice") + " near here?");
    else
      now.cycle_slips += before.last_quarter_turns[p] != now.quarter_turns[p];
  }
}

}  // namespace cohlink
