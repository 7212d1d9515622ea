#include "rx/blocks/amplitude.h"

#include <algorithm>
#include <cmath>

#include "rx/blocks/envelope.h"
#include "rx/rows/row_operations.h"

namespace cohlink {

double kurtosis(Modulation modulation) { return constellation(modulation).fourth_moment(); }

double signal_power(std::span<const std::complex<float>> symbols, Modulation modulation) {
  const Constellation& points = constellation(modulation);
  if (points.is_shaped()) return mean_power(symbols) * signal_share(symbols, points);
  const PowerSums sums = power_sums(symbols);
  const double count = std::max<double>(1.0, static_cast<double>(symbols.size()));
  const double second = sums.second / count, fourth = sums.fourth / count;
  const double k = kurtosis(modulation);
  const double squared = (2.0 * second * second - fourth) / (2.0 - k);
  if (k >= 2.0 || squared <= 0.0) return second;
  return std::min(second, std::sqrt(squared));
}

Field<float> scale_to_constellation(Field<float> symbols, Modulation modulation, std::size_t first,
                                    std::size_t last) {
  for (auto* row : symbols.rows()) {
    const std::span<const std::complex<float>> all(*row);
    const double power = signal_power(all.subspan(first, last - first), modulation);
    if (power <= 0.0) continue;
    scale(*row, static_cast<float>(1.0 / std::sqrt(power)));
  }
  return symbols;
}

std::array<float, 2> scale_to_posterior(Field<float>& symbols, Modulation modulation, std::size_t first,
                                        std::size_t last) {
  const Constellation& points = constellation(modulation);
  std::array<float, 2> factors = {1.0f, 1.0f};
  if (!points.is_shaped()) return factors;
  for (std::size_t p = 0; p < 2; ++p) {
    const std::span<const std::complex<float>> row(*symbols.rows()[p]);
    const double noise = std::max(0.0, mean_power(row.subspan(first, last - first)) - 1.0);
    factors[p] = static_cast<float>(points.posterior_scale(noise));
    scale(*symbols.rows()[p], factors[p]);
  }
  return factors;
}

}  // namespace cohlink
