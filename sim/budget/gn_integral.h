// Nonlinear interference by the Gaussian-noise model, coherent accumulation over all spans.
//
// P_NLI = eta P^3: power of the interference in both polarisations, referred to the power P of the channel
// under test. With s(z) the strength of a place and R of mixing_correlation.h,
//   eta = (16/27) double integral over z, z' of s(z) s(z') R(b(z) - b(z')),
// the GN integral of P. Poggiolini, J. Lightwave Technol. 30(24) 3857 (2012), and P. Poggiolini et al., J.
// Lightwave Technol. 32(4) 694 (2014) (from memory; prefactor checked against split steps in
// tests/published), with the integrals over frequency done first.
#pragma once

#include <map>
#include <tuple>
#include <vector>

#include "sim/budget/dispersion_map.h"
#include "sim/budget/mixing_correlation.h"

namespace cohlink {

/// One kind of light, any number of lines. Not for several threads at once.
class GnIntegral {
 public:
  explicit GnIntegral(const GnLight& light) : correlation_(light) {}
  GnIntegral(const GnLight& light, int nodes_per_octave) : correlation_(light, nodes_per_octave) {}

  /// eta [1/W^2] after each span: entry k hangs on spans 0 to k alone.
  std::vector<GnReadings> after_each_span(const GnLine& line);
  /// eta [1/W^2] of the whole line; 0 for an empty one.
  GnReadings operator()(const GnLine& line);

 private:
  using Kind = std::tuple<double, double, double>;               // beta2, length, loss
  using Pair = std::tuple<std::size_t, std::size_t, long long>;  // kinds, gap
  GnReadings of_pair(const Stretch& a, const Stretch& b);
  std::size_t kind_of(const Stretch& stretch);

  MixingCorrelation correlation_;
  std::map<Kind, std::size_t> kinds_;
  std::map<Pair, GnReadings> pairs_;  // at unit strengths; equal spans have few unlike pairs
};

}  // namespace cohlink
