#include "rx/blocks/dispersion_estimate.h"

#include <algorithm>
#include <bit>
#include <cmath>

namespace cohlink {
namespace {

constexpr std::size_t kShortestBlock = 8192;  // samples

// Delay between the band edges [samples, two a symbol].
double edge_delay(double beta2_length, double symbol_rate) {
  return beta2_length * kTwoPi * symbol_rate * 2.0 * symbol_rate;
}

double parabola_vertex(double left, double centre, double right) {
  const double curvature = left - 2.0 * centre + right;
  return curvature < 0.0 ? std::clamp(0.5 * (left - right) / curvature, -1.0, 1.0) : 0.0;
}

}  // namespace

bool DispersionEstimate::found() const { return peak_to_rms >= kDispersionLock; }

DispersionEstimator::DispersionEstimator(const DispersionSearch& search, const Execution& execution)
    : p_(search),
      execution_(execution),
      widest_delay_(std::abs(edge_delay(search.widest_beta2_length, search.pulse.symbol_rate))),
      // Several times the widest delay, so that both edges of a symbol mostly fall into one block.
      block_(std::max(kShortestBlock, std::bit_ceil(static_cast<std::size_t>(6.0 * widest_delay_)))) {}

// Norm squared of the clock matrix against the delay between the edges, at delay n mod block [samples].
std::vector<double> DispersionEstimator::tone_power(const Field<float>& signal) const {
  const std::size_t used = std::min(signal.size(), 2 * p_.longest), first = (signal.size() - used) / 2 & ~1ul;
  ClockTone tone(p_.pulse, block_, execution_);
  const Fft<float>& fft = execution_.ffts().get<float>(block_);
  ClockTone::CrossSpectra cross;
  ComplexRow<float> row(block_);
  std::vector<double> power(block_);
  for (std::size_t start = first; start + block_ <= first + used; start += block_ / 2) {
    tone(signal, start, cross);
    for (const auto& pair : cross)
      for (const auto& spectrum : pair) {
        std::fill(row.begin(), row.end(), std::complex<float>(0));
        std::copy(spectrum.begin(), spectrum.end(), row.begin());
        fft.forward(row);  // the edges' delay turns by exp(+i 2 pi f delay)
        for (std::size_t n = 0; n < block_; ++n) power[n] += std::norm(row[n]);
      }
  }
  return power;
}

DispersionEstimate DispersionEstimator::operator()(const Field<float>& signal) const {
  if (signal.size() < shortest()) return {};
  if (signal.size() < block_) {
    // The window is nearly closed where a row some samples short of its block ends.
    Field<float> padded = signal;
    padded.x.resize(block_), padded.y.resize(block_);
    return (*this)(padded);
  }
  const std::vector<double> power = tone_power(signal);
  // Two bins past the range: a peak at the very end may be the flank of one that lies beyond.
  const auto reach = static_cast<std::ptrdiff_t>(std::ceil(widest_delay_)) + 2;
  const auto at = [&](std::ptrdiff_t delay) {
    return power[static_cast<std::size_t>(delay + static_cast<std::ptrdiff_t>(block_)) % block_];
  };
  std::ptrdiff_t best = 0;
  for (std::ptrdiff_t n = -reach; n <= reach; ++n)
    if (at(n) > at(best)) best = n;
  // What delays away from the peak show: 1 / roll_off symbols either side belong to it.
  const double width = 4.0 / (p_.pulse.pulse == Pulse::kRrc ? p_.pulse.roll_off : 1.0);
  double sum = 0.0, square = 0.0, count = 0.0;
  for (std::ptrdiff_t n = -reach; n <= reach; ++n)
    if (std::abs(static_cast<double>(n - best)) > width) sum += at(n), square += at(n) * at(n), ++count;
  // The peak proper may lie beyond what is searched.
  if (count < 2.0 || std::abs(best) == reach) return {};
  const double mean = sum / count, spread = std::sqrt(std::max(0.0, square / count - mean * mean));
  const double delay = static_cast<double>(best) + parabola_vertex(at(best - 1), at(best), at(best + 1));
  return {delay / edge_delay(1.0, p_.pulse.symbol_rate), spread > 0.0 ? (at(best) - mean) / spread : 0.0};
}

}  // namespace cohlink
