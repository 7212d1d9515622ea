#include "rx/quality/likelihood.h"

#include <Eigen/Dense>
#include <algorithm>
#include <cmath>
#include <limits>
#include <stdexcept>
#include <utility>
#include <vector>

#include "sim/signal/units.h"

namespace cohlink {
namespace {

using Points = Constellation;

// Symbols of one place in the plane.
struct Cell {
  std::complex<double> at;            // their mean
  double count = 0.0, scatter = 0.0;  // their number, and mean square distance from `at`
};

std::vector<Cell> cells_of(std::span<const std::complex<float>> symbols, double width) {
  const auto place = [&](float v) {
    return static_cast<std::int64_t>(std::floor(std::clamp(v / width, -1e6, 1e6)));
  };
  std::vector<std::pair<std::int64_t, std::complex<double>>> sorted;
  sorted.reserve(symbols.size());
  for (const auto& y : symbols) sorted.emplace_back(place(y.real()) * (1 << 22) + place(y.imag()), y);
  std::sort(sorted.begin(), sorted.end(), [](const auto& a, const auto& b) { return a.first < b.first; });
  std::vector<Cell> cells;
  for (std::size_t k = 0; k < sorted.size();) {
    Cell cell;
    const std::size_t from = k;
    for (; k < sorted.size() && sorted[k].first == sorted[from].first; ++k) cell.at += sorted[k].second;
    cell.count = static_cast<double>(k - from);
    cell.at /= cell.count;
    for (std::size_t i = from; i < k; ++i) cell.scatter += std::norm(sorted[i].second - cell.at) / cell.count;
    cells.push_back(cell);
  }
  return cells;
}

// Sums of a pass over the cells.
struct Pass {
  std::complex<double> cross = 0.0;              // y conj(E a)
  double reference = 0.0;                        // E |a|^2
  double squares = 0.0;                          // E |y - g a|^2
  double likelihood = 0.0;                       // ln p(y)
  double gains = 0.0, both = 0.0, noises = 0.0;  // products of the scores by ln |g| and ln N0
};

void add_cell(Pass& pass, const Cell& cell, const Points& points, const ConstellationFit& fit) {
  double most = std::numeric_limits<double>::max();
  for (const auto& a : points) most = std::min(most, std::norm(cell.at - fit.gain * a));
  double total = 0.0, square = 0.0, reference = 0.0;
  std::complex<double> mean = 0.0;
  for (std::size_t i = 0; i < points.size(); ++i) {
    const std::complex<double>& a = points[i];
    const double away = std::norm(cell.at - fit.gain * a),
                 p = points.probability(i) * std::exp((most - away) / fit.noise);
    total += p;
    mean += p * a;
    reference += p * std::norm(a);
    square += p * away;
  }
  mean /= total, reference /= total, square = square / total + cell.scatter;
  const std::complex<double> cross = cell.at * std::conj(mean);
  const double by_gain =
                   2.0 * ((std::conj(fit.gain) * cross).real() - std::norm(fit.gain) * reference) / fit.noise,
               by_noise = square / fit.noise - 1.0;
  pass.cross += cell.count * cross;
  pass.reference += cell.count * reference;
  pass.squares += cell.count * square;
  pass.likelihood +=
      cell.count * (std::log(total) - (most + cell.scatter) / fit.noise - std::log(kPi * fit.noise));
  pass.gains += cell.count * by_gain * by_gain;
  pass.both += cell.count * by_gain * by_noise;
  pass.noises += cell.count * by_noise * by_noise;
}

// Of ln |g|^2 - ln N0.
double spread_of(const Pass& pass) {
  Eigen::Matrix2d information;
  information << pass.gains, pass.both, pass.both, pass.noises;
  const Eigen::Vector2d direction(2.0, -1.0);
  return std::sqrt(std::max(0.0, direction.dot(information.ldlt().solve(direction))));
}

constexpr double kLeastNoise = 1e-9;

// From `fit` until the likelihood stands still, or for so many passes.
ConstellationFit climb(const std::vector<Cell>& cells, const Points& points, ConstellationFit fit,
                       int passes) {
  constexpr double kStill = 1e-9;
  double before = -std::numeric_limits<double>::max(), count = 0.0;
  for (const Cell& cell : cells) count += cell.count;
  for (int i = 0; i < passes; ++i) {
    Pass pass;
    for (const Cell& cell : cells) add_cell(pass, cell, points, fit);
    fit.log_likelihood = pass.likelihood / count;
    fit.spread = spread_of(pass);
    if (fit.log_likelihood - before < kStill) break;
    before = fit.log_likelihood;
    const std::complex<double> gain = pass.cross / pass.reference;
    // The squares were taken about the gain before.
    const double squares = pass.squares - std::norm(gain - fit.gain) * pass.reference;
    fit.gain = gain;
    fit.noise = std::max(squares / count, kLeastNoise);
  }
  return fit;
}

// The likelihood has local tops: strong noise and weak are both tried, the more promising to the end.
ConstellationFit best_climb(const std::vector<Cell>& cells, const Points& points, double power, int most) {
  constexpr int kTrial = 5;
  ConstellationFit best;
  best.log_likelihood = -std::numeric_limits<double>::max();
  for (const double noise : {0.02, 0.2}) {
    const ConstellationFit fit =
        climb(cells, points, {std::sqrt(power * (1.0 - noise)), power * noise, 0.0, 0.0}, kTrial);
    if (fit.log_likelihood > best.log_likelihood) best = fit;
  }
  return climb(cells, points, best, most);
}

double power_of(std::span<const std::complex<float>> symbols) {
  double power = 0.0;
  for (const auto& y : symbols)
    power += std::norm(std::complex<double>(y)) / static_cast<double>(symbols.size());
  return std::max(power, std::numeric_limits<double>::min());
}

const Points& points_for(std::span<const std::complex<float>> symbols, Modulation modulation) {
  if (constellation(modulation).empty())
    throw std::invalid_argument("Gaussian symbols have no constellation");
  if (symbols.empty()) throw std::invalid_argument("no symbols to fit a constellation to");
  return constellation(modulation);
}

double width_of_cells(const Points& points) { return points.minimum_distance() / 16.0; }

}  // namespace

ConstellationFit fit_constellation(std::span<const std::complex<float>> symbols, Modulation modulation) {
  constexpr int kMost = 200;
  const Points& points = points_for(symbols, modulation);
  const double width = width_of_cells(points);
  const ConstellationFit fit = best_climb(cells_of(symbols, width), points, power_of(symbols), kMost);
  // Cells wider than half the noise would hide how far it is known.
  const double fine = std::max(0.25 * std::sqrt(fit.noise), 1e-5);
  if (width < 2.0 * fine) return fit;
  return climb(cells_of(symbols, fine), points, fit, 5);
}

double rough_log_likelihood(std::span<const std::complex<float>> symbols, Modulation modulation) {
  constexpr int kMost = 15;
  const Points& points = points_for(symbols, modulation);
  return best_climb(cells_of(symbols, width_of_cells(points)), points, power_of(symbols), kMost)
      .log_likelihood;
}

double data_aided_spread(double snr, std::size_t symbols, Modulation modulation) {
  const double kurtosis = constellation(modulation).fourth_moment();
  return std::sqrt((kurtosis + 2.0 / snr) / static_cast<double>(symbols));
}

JointSnr joint_snr(std::span<const JointSnr> rows) {
  double noise = 0.0, variance = 0.0;
  for (const JointSnr& row : rows) {
    noise += 1.0 / row.snr;
    variance += row.spread * row.spread / (row.snr * row.snr);
  }
  return {static_cast<double>(rows.size()) / noise, noise > 0.0 ? std::sqrt(variance) / noise : 0.0};
}

}  // namespace cohlink
