#include "rx/blocks/interpolator.h"

#include <algorithm>
#include <boost/math/special_functions/bessel.hpp>
#include <cmath>
#include <cstdint>
#include <stdexcept>
#include <utility>

#include "rx/rows/vectors.h"
#include "sim/signal/units.h"

namespace cohlink {
namespace {

using namespace vectors;

constexpr double kRejectionDb = 60.0;
constexpr std::size_t kFewestTaps = 12, kMostTaps = 64;
constexpr std::size_t kLongest = 4096;  // positions of one stretch: some microseconds of work
constexpr std::int64_t kWhole = Interpolator::kPhases;

double sinc(double x) { return x == 0.0 ? 1.0 : std::sin(kPi * x) / (kPi * x); }

// Positions in whole 1 / kPhases of a sample.
COHLINK_VECTOR_CLONES
void round_positions(const double* positions, std::size_t count, double lowest, double highest,
                     std::int64_t* places) {
  constexpr double kRounder = 0x1.8p52;  // leaves the nearest whole number in the low bits of the pattern
  for (std::size_t n = 0; n < count; ++n) {
    const double inside = positions[n] < lowest ? lowest : positions[n] > highest ? highest : positions[n];
    places[n] = static_cast<std::int64_t>(bits<std::uint64_t>(inside * Interpolator::kPhases + kRounder)) -
                static_cast<std::int64_t>(bits<std::uint64_t>(kRounder));
  }
}

// out[n] = sum_t h[t] x[n + t] for pairs (re, im): `count` outputs of one phase, one sample apart.
COHLINK_VECTOR_CLONES
void filter(const float* h, std::size_t taps, const float* x, std::size_t count, float* out) {
  std::size_t n = 0;
  for (; n + kWidth <= count; n += kWidth) {
    Floats low = {}, high = {};
    for (std::size_t t = 0; t < taps; ++t) {
      low += h[2 * t] * load(x + 2 * (n + t));
      high += h[2 * t] * load(x + 2 * (n + t) + kWidth);
    }
    store(out + 2 * n, low);
    store(out + 2 * n + kWidth, high);
  }
  for (; n < count; ++n) {
    EightFloats sum = {};
    for (std::size_t t = 0; t < taps; t += 4)
      sum += load<EightFloats>(h + 2 * t) * load<EightFloats>(x + 2 * (n + t));
    out[2 * n] = (sum[0] + sum[4]) + (sum[2] + sum[6]);
    out[2 * n + 1] = (sum[1] + sum[5]) + (sum[3] + sum[7]);
  }
}

// J. F. Kaiser's length for a rejection and a transition from the band's edge to its image at 1 - edge.
std::size_t taps_for(double band_edge) {
  const double transition = 1.0 - 2.0 * band_edge;
  const double needed =
      transition > 0.0 ? (kRejectionDb - 7.95) / (2.285 * kTwoPi * transition) + 2.0 : 1.0 * kMostTaps;
  const auto whole = static_cast<std::size_t>(std::ceil(std::min(needed, 1.0 * kMostTaps) / 4.0)) * 4;
  return std::clamp(whole, kFewestTaps, kMostTaps);
}

}  // namespace

Interpolator::Interpolator(double band_edge, Execution execution) : execution_(std::move(execution)) {
  if (!(band_edge > 0.0 && band_edge <= 0.5))
    throw std::invalid_argument("the interpolator's band must end within half the sample rate");
  taps_ = taps_for(band_edge);
  table_.resize((kPhases + 1) * 2 * taps_);
  const double half = 0.5 * static_cast<double>(taps_), beta = 0.1102 * (kRejectionDb - 8.7);
  const double window_scale = 1.0 / boost::math::cyl_bessel_i(0, beta);
  std::vector<double> h(taps_);
  for (std::size_t i = 0; i <= kPhases; ++i) {
    double sum = 0.0;
    for (std::size_t n = 0; n < taps_; ++n) {
      const double t = static_cast<double>(n) - half + 1.0 - static_cast<double>(i) / kPhases;
      const double inside = std::max(0.0, 1.0 - (t / half) * (t / half));
      h[n] = sinc(t) * boost::math::cyl_bessel_i(0, beta * std::sqrt(inside)) * window_scale;
      sum += h[n];
    }
    float* row = table_.data() + i * 2 * taps_;
    for (std::size_t n = 0; n < taps_; ++n) row[2 * n] = row[2 * n + 1] = static_cast<float>(h[n] / sum);
  }
}

// A stretch of positions one sample apart, and the filter that gives all of them.
struct Interpolator::Stretch {
  std::size_t first, count;  // outputs
  std::ptrdiff_t start;      // of the input under the first output's filter
  const float* filter;
};

std::vector<Interpolator::Stretch> Interpolator::stretches(std::size_t samples,
                                                           std::span<const double> positions) const {
  // Positions may lie up to a filter's length outside the row.
  const double lowest = -static_cast<double>(taps_), highest = static_cast<double>(samples + taps_);
  std::vector<std::int64_t> places(positions.size());
  round_positions(positions.data(), positions.size(), lowest, highest, places.data());
  std::vector<Stretch> all;
  for (std::size_t n = 0, run; n < places.size(); n += run) {
    run = 1;
    while (run < kLongest && n + run < places.size() && places[n + run] == places[n + run - 1] + kWhole)
      ++run;
    const std::int64_t whole = places[n] >= 0 ? places[n] / kWhole : -((kWhole - 1 - places[n]) / kWhole);
    all.push_back({n, run, whole + 1 - static_cast<std::ptrdiff_t>(taps_ / 2),
                   table_.data() + static_cast<std::size_t>(places[n] - whole * kWhole) * 2 * taps_});
  }
  return all;
}

ComplexRow<float> Interpolator::filtered(const ComplexRow<float>& row,
                                         const std::vector<Stretch>& all) const {
  ComplexRow<float> out(all.empty() ? 0 : all.back().first + all.back().count);
  const auto size = static_cast<std::ptrdiff_t>(row.size());
  for (const auto& [first, count, start, h] : all) {
    execution_.check();
    auto* y = reinterpret_cast<float*>(&out[first]);
    const auto needed = static_cast<std::ptrdiff_t>(count + taps_ - 1);
    if (start >= 0 && start + needed <= size) {
      filter(h, taps_, reinterpret_cast<const float*>(row.data() + start), count, y);
      continue;
    }
    ComplexRow<float> padded(count + taps_ - 1);  // the row ends inside
    const std::ptrdiff_t from = std::clamp<std::ptrdiff_t>(start, 0, size),
                         to = std::clamp<std::ptrdiff_t>(start + needed, 0, size);
    std::copy(row.begin() + from, row.begin() + to, padded.begin() + (from - start));
    filter(h, taps_, reinterpret_cast<const float*>(padded.data()), count, y);
  }
  return out;
}

ComplexRow<float> Interpolator::operator()(const ComplexRow<float>& row,
                                           std::span<const double> positions) const {
  return filtered(row, stretches(row.size(), positions));
}

Field<float> Interpolator::operator()(const Field<float>& signal, std::span<const double> positions) const {
  const std::vector<Stretch> all = stretches(signal.size(), positions);
  Field<float> out;
  out.sample_rate = signal.sample_rate;
  out.x = filtered(signal.x, all);
  out.y = filtered(signal.y, all);
  return out;
}

}  // namespace cohlink
