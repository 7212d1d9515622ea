#include "rx/blocks/interpolator.h"

#include <algorithm>
#include <boost/math/special_functions/bessel.hpp>
#include <cmath>
#include <stdexcept>
#include <utility>

#include "sim/signal/units.h"

namespace cohlink {
namespace {

constexpr double kRejectionDb = 60.0;
constexpr std::size_t kFewestTaps = 12, kMostTaps = 64;
constexpr std::size_t kCheckEvery = 4096;  // positions: some hundred microseconds of work

double sinc(double x) { return x == 0.0 ? 1.0 : std::sin(kPi * x) / (kPi * x); }

// sum_i h[i] x[i] over pairs (re, im); eight lanes that the compiler can keep in one register.
std::complex<float> dot(const float* h, const float* x, std::size_t floats) {
  float lane[8] = {};
  for (std::size_t i = 0; i < floats; i += 8)
    for (std::size_t l = 0; l < 8; ++l) lane[l] += h[i + l] * x[i + l];
  return {(lane[0] + lane[4]) + (lane[2] + lane[6]), (lane[1] + lane[5]) + (lane[3] + lane[7])};
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

ComplexRow<float> Interpolator::operator()(const ComplexRow<float>& row,
                                           std::span<const double> positions) const {
  // Zeros before and after: positions may lie up to a filter's length outside the row.
  const std::size_t before = 2 * taps_;
  ComplexRow<float> padded(row.size() + 4 * taps_ + 2);
  std::copy(row.begin(), row.end(), padded.begin() + static_cast<std::ptrdiff_t>(before));
  const auto* x = reinterpret_cast<const float*>(padded.data());
  const double lowest = -static_cast<double>(taps_), highest = static_cast<double>(row.size() + taps_);
  ComplexRow<float> out(positions.size());
  for (std::size_t n = 0; n < positions.size(); ++n) {
    if (n % kCheckEvery == 0) execution_.check();
    const double place = std::clamp(positions[n], lowest, highest), whole = std::floor(place);
    const auto phase = static_cast<std::size_t>(std::lround((place - whole) * kPhases));
    const auto start = static_cast<std::size_t>(static_cast<std::ptrdiff_t>(whole) +
                                                static_cast<std::ptrdiff_t>(before - taps_ / 2 + 1));
    out[n] = dot(table_.data() + phase * 2 * taps_, x + 2 * start, 2 * taps_);
  }
  return out;
}

}  // namespace cohlink
