// Decisions one axis at a time, for inner loops; levels as in sim/signal/constellation.h.
#pragma once

#include <cmath>

namespace cohlink {

inline float qpsk_level(float u) { return std::copysign(0.70710678f, u); }

/// +-1 or +-3 over sqrt(10); the border is 2 over sqrt(10).
inline float qam16_level(float u) {
  return std::copysign(std::fabs(u) > 0.63245553f ? 0.94868330f : 0.31622777f, u);
}

}  // namespace cohlink
