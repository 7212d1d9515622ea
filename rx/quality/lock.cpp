#include "rx/quality/lock.h"

#include <algorithm>
#include <cmath>
#include <complex>

#include "sim/signal/units.h"

namespace cohlink {

std::array<double, 2> carrier_coherence(const Field<float>& symbols, std::size_t first, std::size_t last) {
  std::array<double, 2> coherence = {0, 0};
  for (std::size_t p = 0; p < 2; ++p) {
    const ComplexRow<float>& row = *symbols.rows()[p];
    double sum = 0.0;
    for (std::size_t k = first; k < last; ++k) {
      const std::complex<double> y(row[k]), square = y * y;
      const double power = std::norm(y);
      if (power > 0.0) sum -= (square * square).real() / (power * power);
    }
    if (last > first) coherence[p] = sum / static_cast<double>(last - first);
  }
  return coherence;
}

double coherence_needed(std::size_t averaged) {
  if (averaged == 0) return 0.1;
  return std::max(0.1, 1.3 * std::sqrt(0.25 * kPi / static_cast<double>(averaged)));
}

}  // namespace cohlink
