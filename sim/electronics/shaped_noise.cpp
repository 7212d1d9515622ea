#include "sim/electronics/shaped_noise.h"

#include <cmath>

#include "sim/electronics/lanes.h"

namespace cohlink {

std::vector<double> shaped_noise(std::size_t samples, double sample_rate,
                                 const std::function<double(double)>& density, const RandomStream& random,
                                 const FftCache& fft) {
  ComplexRow<double> row(samples);
  random.fill_noise(0, 1.0, std::span(row));
  const double df = sample_rate / static_cast<double>(samples);
  for (std::size_t k = 0; k < samples; ++k)
    row[k] *= std::sqrt(density(std::abs(bin_frequency(k, samples, sample_rate))) * df);
  fft.get<double>(samples).inverse(row);
  return lane_of(row, false);
}

}  // namespace cohlink
