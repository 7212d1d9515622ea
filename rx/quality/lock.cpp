#include "rx/quality/lock.h"

#include <algorithm>
#include <cmath>
#include <complex>
#include <limits>
#include <optional>
#include <vector>

#include "rx/quality/likelihood.h"
#include "rx/rows/row_operations.h"
#include "sim/signal/units.h"

namespace cohlink {

namespace {

// What the fourth power of a symbol of that squared radius is like without noise.
class FourthPower {
 public:
  explicit FourthPower(const Constellation& c) : rings_(c.rings()) {
    std::complex<double> sum = 0.0;
    for (const Ring& ring : rings_) sum += ring.share * ring.fourth_power;
    constexpr double kCancel = 0.1;
    if (std::abs(sum) > kCancel) common_ = sum / std::abs(sum);
  }
  // Sum of the cosines of the angles between the symbols' fourth powers and those.
  double coherence(Row row) const {
    if (common_) return fourth_power_coherence(row, std::complex<float>(*common_));
    double sum = 0.0;
    for (const std::complex<float>& symbol : row) {
      const std::complex<double> y(symbol), square = y * y;
      const double power = std::norm(y);
      if (power > 0.0) sum += (square * square * std::conj(at(power))).real() / (power * power);
    }
    return sum;
  }

 private:
  std::complex<double> at(double power) const {
    return std::find_if(rings_.begin(), rings_.end() - 1, [&](const Ring& r) { return power < r.border; })
        ->fourth_power;
  }

  const std::vector<Ring>& rings_;
  std::optional<std::complex<double>> common_;
};

}  // namespace

std::array<double, 2> carrier_coherence(const Field<float>& symbols, std::size_t first, std::size_t last,
                                        Modulation modulation) {
  const Constellation& points = constellation(modulation);
  const FourthPower expected(points.empty() ? constellation(Modulation::kQpsk) : points);
  std::array<double, 2> coherence = {0, 0};
  for (std::size_t p = 0; p < 2 && last > first; ++p) {
    const Row row(symbols.rows()[p]->data() + first, last - first);
    coherence[p] = expected.coherence(row) / static_cast<double>(row.size());
  }
  return coherence;
}

double coherence_needed(std::size_t averaged) {
  if (averaged == 0) return 0.1;
  return std::max(0.1, 1.3 * std::sqrt(0.25 * kPi / static_cast<double>(averaged)));
}

namespace {

// Every so manieth symbol, so that no more than `most` are left.
std::vector<std::complex<float>> thinned(std::span<const std::complex<float>> symbols, std::size_t most) {
  const std::size_t apart = (symbols.size() + most - 1) / most;
  std::vector<std::complex<float>> some;
  for (std::size_t k = 0; k < symbols.size(); k += apart) some.push_back(symbols[k]);
  return some;
}

}  // namespace

std::optional<Modulation> likelier_modulation(std::span<const std::complex<float>> symbols, Modulation told) {
  constexpr double kEach = 0.01, kAll = 30.0;
  constexpr std::size_t kMost = 2048;  // of a half
  if (symbols.size() < 2) return std::nullopt;
  std::vector<double> gain(constellations().size(), std::numeric_limits<double>::max());
  const std::size_t half = symbols.size() / 2;
  for (const auto part : {symbols.first(half), symbols.last(half)}) {
    const auto judged = thinned(part, kMost);
    const double as_told = fit_constellation(judged, told).log_likelihood,
                 margin = std::max(kEach, kAll / static_cast<double>(judged.size()));
    for (std::size_t row = 0; row < gain.size(); ++row)
      if (!constellations()[row].empty())
        gain[row] = std::min(gain[row], rough_log_likelihood(judged, Modulation(row)) - as_told - margin);
      else
        gain[row] = 0.0;
  }
  const auto best = static_cast<std::size_t>(std::max_element(gain.begin(), gain.end()) - gain.begin());
  return gain[best] > 0.0 ? std::optional(Modulation(best)) : std::nullopt;
}

namespace {

double mean_square_distance(std::span<const std::complex<float>> symbols, Modulation modulation) {
  return square_distance(symbols, nearest_points(symbols, constellation(modulation)), 1.0f) /
         static_cast<double>(symbols.size());
}

// Of Gaussian noise, by a grid over the plane.
double distance_of_noise(double power, Modulation modulation) {
  constexpr int kGrid = 40;
  double sum = 0.0, weights = 0.0;
  for (int i = -kGrid; i <= kGrid; ++i)
    for (int k = -kGrid; k <= kGrid; ++k) {
      const std::complex<double> unit(4.0 * i / kGrid, 4.0 * k / kGrid), y = std::sqrt(power) * unit;
      const double weight = std::exp(-std::norm(unit));
      sum += weight * std::norm(y - nearest_point(modulation, y));
      weights += weight;
    }
  return sum / weights;
}

}  // namespace

LostStretches lost_stretches(std::span<const std::complex<float>> symbols, Modulation modulation) {
  constexpr std::size_t kStretch = 1024;
  LostStretches lost;
  if (symbols.size() < 2 * kStretch) return lost;
  std::vector<double> distances;
  double power = 0.0;
  for (const auto& y : symbols) power += std::norm(y) / static_cast<double>(symbols.size());
  for (std::size_t from = 0; from + kStretch <= symbols.size(); from += kStretch)
    distances.push_back(mean_square_distance(symbols.subspan(from, kStretch), modulation));
  const double best = *std::min_element(distances.begin(), distances.end()),
               limit = 0.5 * (best + distance_of_noise(power, modulation));
  for (std::size_t i = 0; i < distances.size(); ++i)
    if (distances[i] > limit && (lost.symbols += kStretch) == kStretch) lost.first = i * kStretch;
  return lost;
}

}  // namespace cohlink
