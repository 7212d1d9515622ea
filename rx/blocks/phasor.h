// Turning symbols back by a phase.
#pragma once

#include <cmath>
#include <complex>
#include <cstdint>

#include "sim/signal/units.h"

namespace cohlink {

/// exp(-i phase) to float precision: the phase reduced by quarter turns in double, then Taylor polynomials on
/// +-pi/4 (errors below 4e-7). Many times faster than the library's, which must be right everywhere.
inline std::complex<float> phasor_back(double phase) {
  const double quarters = std::nearbyint(phase * (2.0 / kPi));
  const auto r = static_cast<float>(phase - quarters * (0.5 * kPi));
  const float q = r * r;
  const float sine = r * (1.0f - q * (1.0f / 6 - q * (1.0f / 120 - q * (1.0f / 5040))));
  const float cosine = 1.0f - q * (0.5f - q * (1.0f / 24 - q * (1.0f / 720 - q * (1.0f / 40320))));
  switch (static_cast<std::int64_t>(quarters) & 3) {
    case 0:
      return {cosine, -sine};
    case 1:
      return {-sine, -cosine};
    case 2:
      return {-cosine, sine};
    default:
      return {sine, cosine};
  }
}

}  // namespace cohlink
