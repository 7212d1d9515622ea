#include "rx/quality/residual_offset.h"

#include <cmath>

#include "rx/rows/row_operations.h"
#include "sim/signal/units.h"

namespace cohlink {
namespace {

constexpr double kSignificant = 9.0;  // of an exponential: e^-9

// What turns as the offset does.
ComplexRow<float> backward_carrier(const CarrierRemoved& carrier, std::size_t row, std::size_t count) {
  std::vector<double> phase = carrier.phase_rad[row];
  phase.resize(count);
  const double turn = kTwoPi * carrier.cycles_per_symbol;
  for (std::size_t k = 0; k < count; ++k) phase[k] += turn * static_cast<double>(k);
  return phasors_back(phase);
}

}  // namespace

void remove_residual_offset(Field<float>& symbols, std::size_t first, std::size_t last, Modulation modulation,
                            const CarrierRemoved& carrier) {
  constexpr int kPasses = 2;  // the second with better decisions
  if (constellation(modulation).empty() || last <= first) return;
  const auto count = static_cast<double>(last - first);
  for (std::size_t p = 0; p < 2; ++p) {
    ComplexRow<float>& row = *symbols.rows()[p];
    const ComplexRow<float> turning = backward_carrier(carrier, p, row.size());
    const auto judged = [&](const ComplexRow<float>& of) { return Row(of).subspan(first, last - first); };
    for (int pass = 0; pass < kPasses; ++pass) {
      ComplexRow<float> error(judged(row).begin(), judged(row).end());
      subtract(error, 1.0f, nearest_points(error, constellation(modulation)));
      const Correlation found = correlation(error, judged(turning));
      const std::complex<double> offset = found.cross / count;
      const double noise = found.of_y / count;
      if (count * std::norm(offset) < kSignificant * (noise - std::norm(offset))) break;
      subtract(row, std::complex<float>(offset), turning);
    }
  }
}

}  // namespace cohlink
