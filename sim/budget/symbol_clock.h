// The symbol clock in the interference of a channel with itself.
//
// The covariance of light that carries symbols beats with the symbol clock: between two places it is r0(t) +
// r1(t) exp(2 pi i Rs s) + r_1(t) exp(-2 pi i Rs s), s the time of one and t that to the other. The Gaussian
// model takes r0 alone. What the rest adds to its R(b - b') is
//   E(b, b') = Rs integral over t of  mean over s of |r0 + r1 e + r_1 / e|^4  -  |r0|^4,
//   rh(t) = integral of sqrt(G(f + h Rs/2) G(f - h Rs/2)) exp(2 pi^2 i [b (f + h Rs/2)^2 - b' (f - h Rs/2)^2]
//   + 2 pi i f t) df.
// Dispersion parts the edges of the spectrum, so it fades after the first spans.
#pragma once

#include <map>
#include <utility>
#include <vector>

#include "sim/budget/dispersion_map.h"
#include "sim/budget/gn_light.h"
#include "sim/signal/execution/fft.h"

namespace cohlink {

/// Gathers a line place by place and sums E over all pairs of its places.
class SymbolClock {
 public:
  explicit SymbolClock(const PulseShape& pulse);
  /// A place of strength `weight` [1/W] at a dispersion [s^2].
  void add(double dispersion, double weight);
  /// Double sum of weights and E so far [1/W^2].
  double sum();

 private:
  double dispersion_of(int node) const;
  double excess(int a, int b);
  double correlate(double b, double c);

  ChannelDensity density_;
  double symbol_rate_, least_;
  std::map<int, double> weights_;  // by node: 0 none, +-i for least 2^((i - 1) / 3) of either sign
  std::map<std::pair<int, int>, double> excess_;
  double sum_ = 0.0;
  bool changed_ = false;
  FftCache fft_{FftPlanning::kEstimate, ""};
};

}  // namespace cohlink
