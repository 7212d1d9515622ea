#include "rx/quality/bit_likelihood.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <stdexcept>

namespace cohlink {
namespace {

std::size_t nearest_index(const Constellation& points, std::complex<double> a) {
  std::size_t best = 0;
  for (std::size_t i = 1; i < points.size(); ++i)
    if (std::norm(a - points[i]) < std::norm(a - points[best])) best = i;
  return best;
}

// What every point weighs beside what was received: the logarithm, and itself over that of the likeliest.
struct Weights {
  std::vector<double> exponent, weight;
};

void weigh(const Constellation& points, const std::vector<double>& logarithm, std::complex<double> y,
           double noise, Weights& out) {
  double most = -1e300;
  for (std::size_t i = 0; i < points.size(); ++i) {
    out.exponent[i] = logarithm[i] - std::norm(y - points[i]) / noise;
    most = std::max(most, out.exponent[i]);
  }
  for (std::size_t i = 0; i < points.size(); ++i) out.weight[i] = std::exp(out.exponent[i] - most);
}

// ln of the summed weights of the points whose label has that bit, from the likeliest of them.
double logarithm_of_bit(const Weights& weights, std::size_t bit, std::size_t value) {
  double sum = 0.0, best = -1e300;
  for (std::size_t i = 0; i < weights.exponent.size(); ++i)
    if ((i >> bit & 1) == value) best = std::max(best, weights.exponent[i]);
  for (std::size_t i = 0; i < weights.exponent.size(); ++i)
    if ((i >> bit & 1) == value) sum += std::exp(weights.exponent[i] - best);
  return best + std::log(sum);
}

// ln of what points with a zero there weigh over those with a one.
double likelihood_of_zero(const Weights& weights, std::size_t bit) {
  double zero = 0.0, one = 0.0;
  const std::size_t run = std::size_t{1} << bit;
  for (std::size_t first = 0; first < weights.weight.size(); first += 2 * run)
    for (std::size_t i = first; i < first + run; ++i) {
      zero += weights.weight[i];
      one += weights.weight[i + run];
    }
  constexpr double kTooSmall = 1e-290;  // all points of one kind too far away for their weights
  if (std::min(zero, one) > kTooSmall) return std::log(zero / one);
  return logarithm_of_bit(weights, bit, 0) - logarithm_of_bit(weights, bit, 1);
}

}  // namespace

std::vector<float> flipped_likelihoods(std::span<const std::complex<float>> received,
                                       std::span<const std::complex<double>> sent, double noise,
                                       Modulation modulation, const Execution& execution) {
  const Constellation& points = constellation(modulation);
  if (received.size() != sent.size() || !(noise > 0.0) || points.empty())
    throw std::invalid_argument(
        "likelihoods need as many sent symbols as received, noise and a constellation");
  const auto bits = static_cast<std::size_t>(points.bits());
  std::vector<double> logarithm(points.size());
  Weights weights{std::vector<double>(points.size()), std::vector<double>(points.size())};
  for (std::size_t i = 0; i < points.size(); ++i) logarithm[i] = std::log(points.probability(i));
  std::vector<float> out;
  out.reserve(bits * received.size());
  for (std::size_t k = 0; k < received.size(); ++k) {
    execution.check();
    weigh(points, logarithm, std::complex<double>(received[k]), noise, weights);
    const std::size_t index = nearest_index(points, sent[k]);
    for (std::size_t bit = bits; bit-- > 0;) {  // the first bit is the most significant
      const double of_zero = likelihood_of_zero(weights, bit);
      out.push_back(static_cast<float>((index >> bit & 1) != 0 ? -of_zero : of_zero));
    }
  }
  return out;
}

}  // namespace cohlink
