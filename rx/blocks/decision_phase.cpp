#include "rx/blocks/decision_phase.h"

#include <cmath>
#include <stdexcept>

#include "rx/blocks/decision.h"
#include "rx/blocks/sliding_sum.h"

namespace cohlink {
DecisionPhase::DecisionPhase(const DecisionPhaseParameters& parameters) : p_(parameters) {
  if (constellation(p_.modulation).empty()) throw std::invalid_argument("decisions need a constellation");
  if (p_.window < 1) throw std::invalid_argument("phase window below one symbol");
}

std::vector<double> DecisionPhase::operator()(std::span<const std::complex<float>* const> rows,
                                              std::span<const double> removed) const {
  const std::size_t count = removed.size(), half = static_cast<std::size_t>(p_.window / 2);
  std::vector<std::complex<float>> terms(count);
  with_decision(constellation(p_.modulation), [&](const auto& decide) {
    for (const auto* row : rows)
      for (std::size_t k = 0; k < count; ++k) terms[k] += row[k] * std::conj(decide(row[k]));
  });
  // Back to the symbols as they came.
  std::vector<std::complex<double>> turn(count);
  for (std::size_t k = 0; k < count; ++k) {
    turn[k] = std::polar(1.0, removed[k]);
    terms[k] *= std::complex<float>(turn[k]);
  }
  std::vector<double> phase(count);
  sliding_sums(terms, half, [&](std::size_t k, const std::complex<double>& sum) {
    phase[k] = std::arg(sum * std::conj(turn[k]));
  });
  return phase;
}

}  // namespace cohlink
