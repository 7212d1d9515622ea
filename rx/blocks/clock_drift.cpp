#include "rx/blocks/clock_drift.h"

#include <algorithm>
#include <boost/math/special_functions/gamma.hpp>
#include <cmath>

#include "sim/signal/units.h"

namespace cohlink {
namespace {

constexpr std::size_t kFirstLag = 2, kLastLag = 16;  // blocks
constexpr double kFalseAlarm = 1e-8;

// tr(A B^H)
std::complex<double> inner(const Jones& a, const Jones& b) {
  std::complex<double> sum = 0.0;
  for (std::size_t i = 0; i < 2; ++i)
    for (std::size_t j = 0; j < 2; ++j) sum += a[i][j] * std::conj(b[i][j]);
  return sum;
}

std::vector<double> sizes_of(const std::vector<Jones>& matrices) {
  std::vector<double> sizes;
  for (const Jones& m : matrices) sizes.push_back(std::sqrt(inner(m, m).real()));
  return sizes;
}

struct Correlogram {
  std::vector<std::complex<double>> lags;  // from kFirstLag on, weighted
  double variance = 0.0;                   // of its real part, of matrices of one random complex number each

  double at(double drift) const {
    double sum = 0.0;
    for (std::size_t l = 0; l < lags.size(); ++l)
      sum += (lags[l] * std::polar(1.0, kTwoPi * drift * static_cast<double>(l + kFirstLag))).real();
    return sum;
  }
};

// Products are taken relative to `sizes`, so that no single block rules.
Correlogram correlogram(const std::vector<Jones>& matrices, const std::vector<double>& sizes) {
  Correlogram out;
  for (std::size_t lag = kFirstLag; lag <= kLastLag && lag < matrices.size(); ++lag) {
    const double weight = 1.0 - static_cast<double>(lag) / static_cast<double>(kLastLag + 1);
    std::complex<double> sum = 0.0;
    for (std::size_t b = 0; b + lag < matrices.size(); ++b)
      if (const double size = sizes[b] * sizes[b + lag]; size > 0.0)
        sum += inner(matrices[b + lag], matrices[b]) / size;
    out.lags.push_back(weight * sum);
    out.variance += 0.5 * weight * weight * static_cast<double>(matrices.size() - lag);
  }
  return out;
}

// The top, on a grid of a sixteenth of its width and then by a parabola.
double top_of(const Correlogram& c) {
  constexpr std::size_t kGrid = 16 * kLastLag;
  const auto drift = [](double i) { return i / static_cast<double>(kGrid) - 0.5; };
  double best = 0.0, most = -1e300;
  for (std::size_t i = 0; i < kGrid; ++i)
    if (const double value = c.at(drift(static_cast<double>(i))); value > most)
      most = value, best = static_cast<double>(i);
  const double left = c.at(drift(best - 1.0)), right = c.at(drift(best + 1.0)),
               curvature = left - 2.0 * most + right;
  return drift(best + (curvature < 0.0 ? std::clamp(0.5 * (left - right) / curvature, -0.5, 0.5) : 0.0));
}

}  // namespace

std::vector<std::vector<Jones>> clock_matrices(const Field<float>& signal, ClockTone& tone,
                                               std::span<const int> shifts) {
  ClockTone::CrossSpectra cross;
  std::vector<std::vector<Jones>> matrices(shifts.size());
  for (std::size_t start = 0; start + tone.block() <= signal.size(); start += tone.block() / 2) {
    tone.transform(signal, start);
    for (std::size_t s = 0; s < shifts.size(); ++s) {
      tone.cross(cross, shifts[s]);
      matrices[s].push_back(clock_matrix(cross));
    }
  }
  return matrices;
}

ClockDrift mean_drift(const std::vector<Jones>& matrices) {
  const Correlogram c = correlogram(matrices, sizes_of(matrices));
  if (c.lags.empty()) return {};
  const double drift = top_of(c), numbers = matrices.front()[1][1] == 0.0 ? 1.0 : 4.0;
  const auto blocks = static_cast<double>(matrices.size());
  const double degrees = numbers * std::max(1.0, blocks / static_cast<double>(kLastLag + 1));
  const double tail = boost::math::gamma_q_inv(degrees, kFalseAlarm / (2.0 * kLastLag));
  return {drift, c.at(drift) / std::sqrt(c.variance / numbers), (tail - degrees) / std::sqrt(degrees)};
}

ClockSearch search_clock(const Field<float>& signal, ClockTone& tone) {
  constexpr int kShifts[] = {0, -2, 2};  // bins: one symbol a hop each
  const auto shifted = clock_matrices(signal, tone, kShifts);
  ClockSearch search{shifted.front(), std::nullopt};
  const std::vector<double> sizes = sizes_of(search.matrices);
  double most = 0.0;
  for (std::size_t s = 0; s < shifted.size(); ++s) {
    const ClockDrift drift = mean_drift(shifted[s]);
    if (!drift.found()) continue;
    // All in the measure of the unshifted: each would be large in its own.
    const double power = correlogram(shifted[s], sizes).at(drift.per_hop);
    if (power <= most) continue;
    most = power;
    search.drift = drift.per_hop + 0.5 * kShifts[s];
  }
  return search;
}

std::optional<ClockJump> find_jump(const std::vector<Jones>& matrices, double drift) {
  constexpr std::size_t kSide = 8, kGap = 2;  // blocks; those that hold the jump itself
  constexpr double kLeast = 0.1, kAlike = 0.5;
  const auto sum_from = [&](std::size_t from) {
    Jones sum{};
    for (std::size_t b = from; b < from + kSide; ++b)
      for (std::size_t i = 0; i < 2; ++i)
        for (std::size_t j = 0; j < 2; ++j)
          sum[i][j] += matrices[b][i][j] * std::polar(1.0, kTwoPi * drift * static_cast<double>(b));
    return sum;
  };
  std::optional<ClockJump> largest;
  for (std::size_t b = kSide; b + kGap + kSide <= matrices.size(); ++b) {
    const Jones before = sum_from(b - kSide), after = sum_from(b + kGap);
    const std::complex<double> turn = inner(after, before);
    const double alike = std::abs(turn) / std::sqrt((inner(before, before) * inner(after, after)).real()),
                 symbols = -std::arg(turn) / kTwoPi;
    if (alike > kAlike && std::abs(symbols) > (largest ? std::abs(largest->symbols) : kLeast))
      largest = {b + kGap / 2, symbols};
  }
  return largest;
}

}  // namespace cohlink
