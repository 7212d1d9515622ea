#include "sim/signal/transitions.h"

#include <algorithm>
#include <boost/math/quadrature/gauss_kronrod.hpp>
#include <cmath>
#include <limits>

namespace cohlink {
namespace {

using Complex = std::complex<double>;
using Matrix = std::vector<std::vector<double>>;

constexpr double kInfinity = std::numeric_limits<double>::infinity();

double gaussian_tail(double x) { return 0.5 * std::erfc(x / std::sqrt(2.0)); }

// Probability that a normal variable of unit variance lies in [low, high], without loss of digits in either
// tail.
double between(double low, double high) {
  if (!(low < high)) return 0.0;
  if (high <= 0.0) return between(-high, -low);
  return gaussian_tail(low) - gaussian_tail(high);
}

// Of one axis, all of its levels, received `scale` times as large as sent: [sent][decided], the diagonal
// included.
Matrix axis_transitions(const AxisLevels& axis, double sigma, double scale) {
  const std::size_t count = axis.count();
  Matrix p(count, std::vector<double>(count));
  const double outermost = axis.positive.back();
  for (std::size_t sent = 0; sent < count; ++sent)
    for (std::size_t decided = 0; decided < count; ++decided) {
      const double to = axis.level[decided], half = 0.5 * axis.spacing;
      const double low = to < half - outermost ? -kInfinity : to - half,
                   high = to > outermost - half ? kInfinity : to + half;
      const double from = scale * axis.level[sent];
      p[sent][decided] = between((low - from) / sigma, (high - from) / sigma);
    }
  return p;
}

Matrix square_transitions(const Constellation& c, double sigma) {
  const double scale = c.posterior_scale(2.0 * sigma * sigma);
  const Matrix axis = axis_transitions(c.axis(), scale * sigma, scale);
  const std::size_t count = c.axis().count();
  Matrix p(c.size(), std::vector<double>(c.size()));
  for (std::size_t sent = 0; sent < c.size(); ++sent)
    for (std::size_t decided = 0; decided < c.size(); ++decided)
      if (decided != sent)
        p[sent][decided] = axis[sent / count][decided / count] * axis[sent % count][decided % count];
  return p;
}

// Where x is on the nearer side of all bisectors of `to` with the others: the interval of y.
std::pair<double, double> column(const Constellation& c, Complex to, double x) {
  double low = -kInfinity, high = kInfinity;
  for (const Complex& other : c) {
    if (other == to) continue;
    // 2 Re(conj(other - to) z) <= |other|^2 - |to|^2
    const Complex d = other - to;
    const double right = 0.5 * (std::norm(other) - std::norm(to)) - d.real() * x;
    if (std::abs(d.imag()) < 1e-12) {
      if (right < 0.0) return {0.0, 0.0};
    } else if (d.imag() > 0.0) {
      high = std::min(high, right / d.imag());
    } else {
      low = std::max(low, right / d.imag());
    }
  }
  return {low, high};
}

// Abscissas of the region's corners, where the integrand has kinks, within reach of the noise.
std::vector<double> corners(const Constellation& c, Complex to, double low, double high) {
  std::vector<double> at = {low, high};
  for (std::size_t i = 0; i < c.size(); ++i)
    for (std::size_t j = 0; j < i; ++j) {
      const Complex a = c[i] - to, b = c[j] - to;
      const double p = 0.5 * (std::norm(c[i]) - std::norm(to)), q = 0.5 * (std::norm(c[j]) - std::norm(to)),
                   determinant = a.real() * b.imag() - a.imag() * b.real();
      if (std::abs(determinant) < 1e-12) {  // a border along y
        for (const auto& [d, r] : {std::pair{a, p}, std::pair{b, q}})
          if (std::abs(d.imag()) < 1e-12 && std::abs(d.real()) > 1e-12) at.push_back(r / d.real());
        continue;
      }
      at.push_back((p * b.imag() - q * a.imag()) / determinant);
    }
  std::erase_if(at, [&](double x) { return !(x >= low && x <= high); });
  std::sort(at.begin(), at.end());
  at.erase(std::unique(at.begin(), at.end(), [](double x, double y) { return y - x < 1e-9; }), at.end());
  return at;
}

double region_probability(const Constellation& c, Complex sent, Complex to, double sigma) {
  const double reach = 12.0 * sigma + std::abs(to - sent);
  const auto density = [&](double x) {
    const auto [low, high] = column(c, to, x);
    const double u = (x - sent.real()) / sigma;
    return std::exp(-0.5 * u * u) * between((low - sent.imag()) / sigma, (high - sent.imag()) / sigma);
  };
  const std::vector<double> at = corners(c, to, sent.real() - reach, sent.real() + reach);
  double sum = 0.0;
  for (std::size_t i = 0; i + 1 < at.size(); ++i)
    sum += boost::math::quadrature::gauss_kronrod<double, 21>::integrate(density, at[i], at[i + 1], 10, 1e-9);
  return sum / (sigma * std::sqrt(2.0 * std::acos(-1.0)));
}

}  // namespace

std::vector<std::vector<double>> transitions(const Constellation& c, double snr) {
  const double sigma = std::sqrt(0.5 / snr);  // of one axis
  if (c.axis().count() > 0) return square_transitions(c, sigma);
  Matrix p(c.size(), std::vector<double>(c.size()));
  for (std::size_t sent = 0; sent < c.size(); ++sent) {
    if (c.place(static_cast<unsigned>(sent)).turns != 0) continue;  // the others are turned from these
    for (unsigned decided = 0; decided < c.size(); ++decided) {
      if (decided == sent) continue;
      const double of = region_probability(c, c[sent], c[decided], sigma);
      for (unsigned t = 0; t < 4; ++t) {
        const auto turned = [&](unsigned index) {
          return c.index_of({c.place(index).turns + t, c.place(index).inner});
        };
        p[turned(static_cast<unsigned>(sent))][turned(decided)] = of;
      }
    }
  }
  return p;
}

}  // namespace cohlink
