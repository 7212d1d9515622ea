// A line as its nonlinear interference sees it: stretches of fibre with the dispersion gathered before them.
#pragma once

#include <vector>

#include "sim/budget/gn_light.h"

namespace cohlink {

/// One span's fibre. What it mixes at z [m] is gamma power exp(-loss z), under the dispersion at(z).
struct Stretch {
  double before = 0.0;    // s^2, dispersion (beta2 times length) gathered before it
  double beta2 = 0.0;     // s^2/m
  double length = 0.0;    // m
  double loss = 0.0;      // 1/m, of power
  double strength = 0.0;  // 1/(W m), gamma times the power into it over the launch power

  double at(double z) const { return before + beta2 * z; }
  double after() const { return at(length); }
  double turn() const { return beta2 * length; }
  /// Integral of exp(-loss z) [m].
  double effective() const;
};

std::vector<Stretch> dispersion_map(const GnLine& line);

/// A stretch cut where it comes near no dispersion, so that on each part the size of the dispersion changes
/// by no more than `ratio` or stays below `least` [s^2]; a stretch that stays far from none is left whole.
std::vector<Stretch> cut_near_zero(const Stretch& stretch, double least, double ratio);

/// A place for quadrature over a stretch.
struct StretchPoint {
  double z = 0.0;       // m
  double weight = 0.0;  // m, of exp(-loss z) dz
};

/// `points` Gauss-Legendre points (2, 4, 8 or 16) in the share of light that is lost.
std::vector<StretchPoint> stretch_points(const Stretch& stretch, int points);

}  // namespace cohlink
