#include "sim/budget/egn_self.h"

#include <algorithm>
#include <cmath>
#include <complex>
#include <numeric>

namespace cohlink {
namespace {

using Complex = std::complex<double>;

/// Sum over all distances of the mean over frequency of squared magnitudes.
double energy(const std::vector<Complex>& overlaps, std::size_t meeting) {
  double sum = 0.0;
  for (std::size_t i = 0; i < overlaps.size(); ++i)
    sum += symbol_distances().weight[i % meeting] * std::norm(overlaps[i]);
  return sum / Overlaps::kFrequencies;
}

/// Mean over frequency.
Complex mean(const std::vector<Complex>& of) {
  return std::accumulate(of.begin(), of.end(), Complex(0.0)) / static_cast<double>(of.size());
}
double mean_product(const std::vector<Complex>& a, const std::vector<Complex>& b) {
  double sum = 0.0;
  for (std::size_t i = 0; i < a.size(); ++i) sum += (a[i] * std::conj(b[i])).real();
  return sum / static_cast<double>(a.size());
}

/// What symbols of these moments add to the variance of Gaussian ones.
double coincidences(const Overlaps& met, const FormatMoments& moments) {
  if (met.meeting == 0) return 0.0;
  const auto [phi, psi] = moments;
  const Complex alone = mean(met.alone), all = mean(met.mean);
  const double own = mean_product(met.alone, met.alone);
  // Mean intensity and symbol: 2 + 1 polarisations.
  const double clock = 9.0 * (mean_product(met.mean, met.mean) - std::norm(all)) +
                       6.0 * phi * (mean_product(met.mean, met.alone) - (all * std::conj(alone)).real());
  return phi * (80.0 * energy(met.intensity, met.meeting) + 16.0 * energy(met.pairs, met.meeting)) / 81.0 +
         16.0 / 81.0 * (psi * own - phi * phi * std::norm(alone) + clock);
}

}  // namespace

std::vector<double> egn_self_after_each_span(const GnLight& light, const GnLine& line) {
  const GnChannel& own = light.front();
  PulseOverlaps overlaps(own.pulse);
  SymbolClock clock(own.pulse);
  Overlaps met;
  std::vector<double> eta;
  for (const Stretch& stretch : dispersion_map(line)) {
    const auto parts = cut_near_zero(stretch, 2.0 * overlaps.least(), 2.0);
    for (const Stretch& part : parts)
      for (const StretchPoint& point : stretch_points(part, parts.size() > 1 ? 8 : 16)) {
        const double weight = part.strength * point.weight, dispersion = part.at(point.z);
        clock.add(dispersion, weight);
        overlaps.add(met, weight, dispersion);
      }
    eta.push_back(16.0 / 27.0 * clock.sum() + coincidences(met, own.moments));
  }
  return eta;
}

}  // namespace cohlink
