#include "rx/blocks/fourth_power_phase.h"

#include <algorithm>
#include <cmath>
#include <stdexcept>

#include "rx/blocks/blind_phase_search.h"
#include "rx/blocks/sliding_sum.h"
#include "sim/signal/units.h"

namespace cohlink {

FourthPowerPhase::FourthPowerPhase(const FourthPowerPhaseParameters& parameters) : p_(parameters) {
  if (constellation(p_.modulation).empty())
    throw std::invalid_argument("the fourth-power law needs a constellation");
  if (p_.window < 1) throw std::invalid_argument("phase window below one symbol");
}

std::complex<double> FourthPowerPhase::term(std::complex<double> y) const {
  const double power = std::norm(y);
  if (power == 0.0) return 0.0;
  const std::complex<double> square = y * y, fourth = square * square;
  const std::vector<Ring>& rings = constellation(p_.modulation).rings();
  const auto ring =
      std::find_if(rings.begin(), rings.end() - 1, [&](const Ring& r) { return power < r.border; });
  constexpr double kAgree = 0.999;  // the ring's points have one fourth power
  if (std::abs(ring->fourth_power) < kAgree) return 0.0;
  const std::complex<double> unmodulated = fourth * std::conj(ring->fourth_power);
  return rings.size() == 1 ? unmodulated / power : unmodulated / (power * power);
}

std::vector<double> FourthPowerPhase::operator()(std::span<const std::complex<float>* const> rows,
                                                 std::size_t count) const {
  const auto half = static_cast<std::size_t>(p_.window / 2);
  std::vector<std::complex<double>> terms(count);
  for (std::size_t k = 0; k < count; ++k)
    for (const auto* row : rows) terms[k] += term(std::complex<double>(row[k]));
  std::vector<double> phase(count);
  sliding_sums(terms, half,
               [&](std::size_t k, const std::complex<double>& sum) { phase[k] = 0.25 * std::arg(sum); });
  unwrap(phase, 0.5 * kPi);
  return phase;
}

}  // namespace cohlink
