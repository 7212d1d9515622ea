#include "tools/cohlink/spectrum.h"

#include <algorithm>
#include <bit>
#include <cmath>
#include <limits>
#include <numeric>
#include <vector>

#include "sim/signal/field.h"
#include "sim/signal/units.h"

namespace cohlink {
namespace {

constexpr std::size_t kLongestSegment = 4096;

/// Averaged power per bin, bin 0 the lowest frequency. P. D. Welch, IEEE Trans. Audio Electroacoust. 15(2) 70
/// (1967).
std::vector<double> power_spectrum(const Capture& capture, std::size_t n, const FftCache& cache) {
  const Fft<double>& fft = cache.get<double>(n);
  ComplexRow<double> segment(n);
  std::vector<double> power(n, 0.0);
  for (std::size_t start = 0; start + n <= capture.samples(); start += n / 2) {
    for (std::size_t lane = 0; lane < 4; lane += 2) {
      const double i_scale = capture.ampere_per_code[lane], q_scale = capture.ampere_per_code[lane + 1];
      for (std::size_t k = 0; k < n; ++k) {
        const double window = 0.5 - 0.5 * std::cos(kTwoPi * static_cast<double>(k) / static_cast<double>(n));
        segment[k] = window * std::complex<double>(i_scale * capture.lanes[lane][start + k],
                                                   q_scale * capture.lanes[lane + 1][start + k]);
      }
      fft.forward(segment);
      for (std::size_t k = 0; k < n; ++k) power[(k + n / 2) % n] += std::norm(segment[k]);
    }
  }
  return power;
}

double median(std::vector<double> values) {
  if (values.empty()) return 0.0;
  const auto middle = values.begin() + static_cast<std::ptrdiff_t>(values.size() / 2);
  std::nth_element(values.begin(), middle, values.end());
  return *middle;
}

}  // namespace

SpectrumSummary summarise_spectrum(const Capture& capture, const FftCache& cache) {
  const std::size_t n = std::min(kLongestSegment, std::bit_floor(capture.samples()));
  const std::vector<double> power = power_spectrum(capture, n, cache);
  const double total = std::accumulate(power.begin(), power.end(), 0.0);
  const double bin_hz = capture.sample_rate / static_cast<double>(n);
  SpectrumSummary summary;
  if (!(total > 0.0)) return summary;

  double moment = 0.0, running = 0.0;
  std::size_t first = 0, last = n - 1;
  for (std::size_t k = 0; k < n; ++k) {
    moment += power[k] * (static_cast<double>(k) - static_cast<double>(n / 2)) * bin_hz;
    const double before = running;
    running += power[k];
    if (before < 0.005 * total) first = k;
    if (before < 0.995 * total) last = k;
  }
  summary.centre_hz = moment / total;
  summary.occupied_hz = static_cast<double>(last - first + 1) * bin_hz;
  const auto low = power.begin() + static_cast<std::ptrdiff_t>(first);
  const auto high = power.begin() + static_cast<std::ptrdiff_t>(last) + 1;
  std::vector<double> outside(power.begin(), low);
  outside.insert(outside.end(), high, power.end());
  const double floor = median(std::move(outside));
  summary.peak_to_floor_db =
      floor > 0.0 ? to_db(median({low, high}) / floor) : std::numeric_limits<double>::infinity();
  return summary;
}

}  // namespace cohlink
