#include "sim/electronics/bessel.h"

#include <algorithm>
#include <cmath>
#include <stdexcept>

#include "sim/signal/instruction_sets.h"
#include "sim/signal/phasors.h"

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

constexpr std::size_t kBlock = 512;  // frequencies side by side, so that the loops run in vectors

// out *= c[0] / sum_k c[k] (i w)^k, its even and odd terms by themselves.
COHLINK_VECTOR_CLONES
void weigh_block(const std::vector<double>& c, const double* w, std::size_t count,
                 std::complex<double>* __restrict out) {
  double even[kBlock] = {}, odd[kBlock] = {};
  for (std::size_t k = c.size(); k-- > 0;) {
    double* const part = k % 2 == 0 ? even : odd;
    for (std::size_t t = 0; t < count; ++t) part[t] = part[t] * -(w[t] * w[t]) + c[k];
  }
  for (std::size_t t = 0; t < count; ++t) {
    const double re = even[t], im = w[t] * odd[t], each = c[0] / (re * re + im * im);
    const double x = out[t].real(), y = out[t].imag();
    out[t] = {each * (x * re + y * im), each * (y * re - x * im)};
  }
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

std::vector<std::complex<double>> BesselFilter::operator()(std::span<const double> frequencies) const {
  std::vector<std::complex<double>> out(frequencies.size());
  for (std::size_t start = 0; start < out.size(); start += kBlock) {
    const std::size_t count = std::min(kBlock, out.size() - start);
    double w[kBlock];
    for (std::size_t t = 0; t < count; ++t) w[t] = scale_ * frequencies[start + t];
    fill_phasors({w, count}, std::span(out).subspan(start, count));
    weigh_block(coefficients_, w, count, out.data() + start);
  }
  return out;
}

}  // namespace cohlink
