// Soft saturation of an electrical amplifier.
#pragma once

#include <cmath>
#include <optional>

#include "sim/signal/field.h"

namespace cohlink {

/// x / (1 + (x/limit)^4)^(1/4): linear for small x, never beyond +-limit (C. Rapp, Proc. 2nd European Conf.
/// Satellite Communications, 179, 1991, knee parameter 2). Absent limit: x itself.
inline double soft_limit(double x, std::optional<double> limit) {
  if (!limit) return x;
  const double u = x / *limit;
  return x / std::sqrt(std::sqrt(1.0 + u * u * u * u));
}

/// The same on both lanes of a row, each with its limit.
void soft_limit(ComplexRow<double>& row, double limit_i, double limit_q);

}  // namespace cohlink
