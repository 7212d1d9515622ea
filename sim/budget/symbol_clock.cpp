#include "sim/budget/symbol_clock.h"

#include <bit>
#include <cmath>
#include <complex>

#include "sim/signal/units.h"

namespace cohlink {
namespace {

using Complex = std::complex<double>;

constexpr double kNodesPerOctave = 3.0;
constexpr int kLast = 38;  // node, 12 octaves on: edges long parted
constexpr double kTails = 12.0;
constexpr double kSamplesPerSymbol = 4.0;

}  // namespace

SymbolClock::SymbolClock(const PulseShape& pulse)
    : density_(pulse),
      symbol_rate_(pulse.symbol_rate),
      least_(1.0 / (16.0 * kTwoPi * kTwoPi * symbol_rate_ * symbol_rate_)) {}

double SymbolClock::dispersion_of(int node) const {
  if (node == 0) return 0.0;
  const double size = least_ * std::exp2((std::abs(node) - 1) / kNodesPerOctave);
  return node < 0 ? -size : size;
}

void SymbolClock::add(double dispersion, double weight) {
  const double size = std::abs(dispersion) / least_;
  const double at = size < 1.0 ? size : 1.0 + kNodesPerOctave * std::log2(size);
  const int below = static_cast<int>(at), side = dispersion < 0.0 ? -1 : 1;
  if (below >= kLast) return;
  const double part = at - below;
  weights_[side * below] += (1.0 - part) * weight;
  weights_[side * (below + 1)] += part * weight;
  changed_ = true;
}

double SymbolClock::sum() {
  if (!changed_) return sum_;
  sum_ = 0.0;
  for (auto a = weights_.begin(); a != weights_.end(); ++a) {
    sum_ += a->second * a->second * excess(a->first, a->first);
    for (auto b = std::next(a); b != weights_.end(); ++b)
      sum_ += 2.0 * a->second * b->second * excess(a->first, b->first);
  }
  changed_ = false;
  return sum_;
}

double SymbolClock::excess(int a, int b) {
  const auto [found, fresh] = excess_.try_emplace({a, b}, 0.0);
  if (fresh) found->second = correlate(dispersion_of(a), dispersion_of(b));
  return found->second;
}

double SymbolClock::correlate(double b, double c) {
  const double half_rate = 0.5 * symbol_rate_, edge = density_.edge();
  // Where the middle spreads to, and where the edges go.
  const double reach = kTwoPi * std::max(std::abs(b - c) * edge, std::abs(b + c) * half_rate);
  const double symbols = std::ceil(2.0 * reach * symbol_rate_ + 2.0 * kTails), step = symbol_rate_ / symbols;
  const auto n = std::bit_ceil(static_cast<std::size_t>(symbols * kSamplesPerSymbol));
  const auto covariance = [&](int h) {
    ComplexRow<double> row(n);
    for (auto k = static_cast<long>(-edge / step); k <= static_cast<long>(edge / step); ++k) {
      const double f = static_cast<double>(k) * step, up = f + h * half_rate, down = f - h * half_rate;
      const double density = h == 0 ? density_(f) : std::sqrt(density_(up) * density_(down));
      if (density == 0.0) continue;
      row[static_cast<std::size_t>(k < 0 ? k + static_cast<long>(n) : k)] =
          std::polar(density * step, 2.0 * kPi * kPi * (b * up * up - c * down * down));
    }
    fft_.get<double>(n).inverse(row);
    return row;
  };
  const auto middle = covariance(0), above = covariance(1), below = covariance(-1);
  double sum = 0.0;
  for (std::size_t i = 0; i < n; ++i) {
    const double own = std::norm(middle[i]), all = own + std::norm(above[i]) + std::norm(below[i]);
    const Complex first = above[i] * std::conj(middle[i]) + middle[i] * std::conj(below[i]),
                  second = above[i] * std::conj(below[i]);
    sum += all * all + 2.0 * std::norm(first) + 2.0 * std::norm(second) - own * own;
  }
  return symbol_rate_ * sum / (static_cast<double>(n) * step);
}

}  // namespace cohlink
