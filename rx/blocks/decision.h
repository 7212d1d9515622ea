// Decisions one axis or ring at a time, for inner loops; levels as in sim/signal/constellation.h.
#pragma once

#include <cmath>

#include "sim/signal/constellation.h"

namespace cohlink {

inline float qpsk_level(float u) { return std::copysign(0.70710678f, u); }

/// +-1 or +-3 over sqrt(10); the border is 2 over sqrt(10).
inline float qam16_level(float u) {
  return std::copysign(std::fabs(u) > 0.63245553f ? 0.94868330f : 0.31622777f, u);
}

/// Squared radius of the ring nearest to `power`, unit mean power. 16QAM: 0.2, 1, 1.8, told apart half way
/// between the radii; QPSK has one.
inline float nearest_ring(float power, Modulation modulation) {
  constexpr float kInner = 0.5236068f, kOuter = 1.3708204f;
  if (modulation == Modulation::kQpsk || (power > kInner && power < kOuter)) return 1.0f;
  return power <= kInner ? 0.2f : 1.8f;
}

}  // namespace cohlink
