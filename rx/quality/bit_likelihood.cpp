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

}  // namespace

std::vector<float> flipped_likelihoods(std::span<const std::complex<float>> received,
                                       std::span<const std::complex<double>> sent, double noise,
                                       Modulation modulation, const Execution& execution) {
  const Constellation& points = constellation(modulation);
  if (received.size() != sent.size() || !(noise > 0.0) || points.empty())
    throw std::invalid_argument(
        "likelihoods need as many sent symbols as received, noise and a constellation");
  const auto bits = static_cast<std::size_t>(points.bits());
  std::vector<double> exponent(points.size()), logarithm(points.size());
  for (std::size_t i = 0; i < points.size(); ++i) logarithm[i] = std::log(points.probability(i));
  std::vector<float> out;
  out.reserve(bits * received.size());
  for (std::size_t k = 0; k < received.size(); ++k) {
    execution.check();
    const std::complex<double> y(received[k]);
    for (std::size_t i = 0; i < points.size(); ++i)
      exponent[i] = logarithm[i] - std::norm(y - points[i]) / noise;
    const std::size_t index = nearest_index(points, sent[k]);
    for (std::size_t bit = bits; bit-- > 0;) {  // the first bit is the most significant
      // Of the likeliest point on either side, exactly, and the others beside it.
      std::array<double, 2> best = {-1e300, -1e300}, sum = {0.0, 0.0};  // differs from what was sent: 1
      for (std::size_t i = 0; i < points.size(); ++i) {
        const std::size_t side = (i ^ index) >> bit & 1;
        best[side] = std::max(best[side], exponent[i]);
      }
      for (std::size_t i = 0; i < points.size(); ++i) {
        const std::size_t side = (i ^ index) >> bit & 1;
        sum[side] += std::exp(exponent[i] - best[side]);
      }
      out.push_back(static_cast<float>(best[0] - best[1] + std::log(sum[0] / sum[1])));
    }
  }
  return out;
}

}  // namespace cohlink
