#include "sim/electronics/bessel.h"

#include <cmath>
#include <stdexcept>

namespace cohlink {
namespace {

// (2n-k)! / (2^(n-k) k! (n-k)!), by its ratio: c[n] = 1, c[k-1] = c[k] (2n-k+1) k / (2 (n-k+1)).
std::vector<double> reverse_bessel(int n) {
  std::vector<double> c(static_cast<std::size_t>(n) + 1, 1.0);
  for (int k = n; k > 0; --k) {
    const auto i = static_cast<std::size_t>(k);
    c[i - 1] = c[i] * (2.0 * n - k + 1.0) * k / (2.0 * (n - k + 1.0));
  }
  return c;
}

}  // namespace

BesselFilter::BesselFilter(int order, double bandwidth) {
  if (order < 1 || order > 10) throw std::invalid_argument("Bessel filter: order must be 1 to 10");
  if (!(bandwidth > 0.0)) throw std::invalid_argument("Bessel filter: bandwidth must be positive");
  coefficients_ = reverse_bessel(order);
  double low = 0.0, high = 10.0;  // the 3 dB point lies between, for every order allowed
  for (int i = 0; i < 100; ++i) {
    const double middle = 0.5 * (low + high);
    (std::norm(prototype(middle)) > 0.5 ? low : high) = middle;
  }
  scale_ = low / bandwidth;
}

std::complex<double> BesselFilter::prototype(double w) const {
  const std::complex<double> s(0.0, w);
  std::complex<double> sum = 0.0;
  for (std::size_t k = coefficients_.size(); k-- > 0;) sum = sum * s + coefficients_[k];
  return coefficients_[0] / sum;
}

std::complex<double> BesselFilter::operator()(double frequency) const {
  const double w = scale_ * frequency;
  return prototype(w) * std::polar(1.0, w);
}

}  // namespace cohlink
