#include "rx/quality/residual_offset.h"

#include <cmath>

#include "rx/blocks/decision.h"
#include "rx/blocks/phasor.h"
#include "sim/signal/units.h"

namespace cohlink {
namespace {

constexpr double kSignificant = 9.0;  // of an exponential: e^-9

// What turns as the offset does.
std::vector<std::complex<float>> backward_carrier(const CarrierRemoved& carrier, std::size_t row,
                                                  std::size_t count) {
  const std::vector<double>& phase = carrier.phase_rad[row];
  std::vector<std::complex<float>> out(count);
  for (std::size_t k = 0; k < count; ++k) {
    const double turns = carrier.cycles_per_symbol * static_cast<double>(k);
    out[k] = phasor_back(kTwoPi * (turns - std::nearbyint(turns)) + (k < phase.size() ? phase[k] : 0.0));
  }
  return out;
}

}  // namespace

void remove_residual_offset(Field<float>& symbols, std::size_t first, std::size_t last, Modulation modulation,
                            const CarrierRemoved& carrier) {
  constexpr int kPasses = 2;  // the second with better decisions
  if (constellation(modulation).empty() || last <= first) return;
  const auto count = static_cast<double>(last - first);
  for (std::size_t p = 0; p < 2; ++p) {
    ComplexRow<float>& row = *symbols.rows()[p];
    const auto turning = backward_carrier(carrier, p, row.size());
    for (int pass = 0; pass < kPasses; ++pass) {
      std::complex<double> offset = 0.0;
      double noise = 0.0;
      with_decision(constellation(modulation), [&](const auto& decide) {
        for (std::size_t k = first; k < last; ++k) {
          const std::complex<float> error = row[k] - decide(row[k]);
          offset += std::complex<double>(error * std::conj(turning[k])) / count;
          noise += std::norm(error) / count;
        }
      });
      if (count * std::norm(offset) < kSignificant * (noise - std::norm(offset))) break;
      const std::complex<float> taken(offset);
      for (std::size_t k = 0; k < row.size(); ++k) row[k] -= taken * turning[k];
    }
  }
}

}  // namespace cohlink
