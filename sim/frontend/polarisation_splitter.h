// The polarisation splitter in front of the two hybrids.
#pragma once

#include <cmath>

#include "sim/signal/propagation/jones.h"

namespace cohlink {

struct PolarisationSplitterParameters {
  double angle = 0.0;       // rad, its axes against those of the receiver
  double field_leak = 0.0;  // 10^(-extinction/20): field of the wrong polarisation at each output; 0 = none
};

/// Lossless four-port with leak e, turned by the angle:
///   1/sqrt(1 + e^2) [1 i e; i e 1] [cos sin; -sin cos].
/// Light of one polarisation (angle 0) divides between the outputs as 1 : e^2, the extinction ratio. The i
/// is what energy conservation asks of a symmetric coupler.
inline JonesMatrix splitter_matrix(const PolarisationSplitterParameters& p) {
  const double c = std::cos(p.angle), s = std::sin(p.angle), norm = 1.0 / std::hypot(1.0, p.field_leak);
  const std::complex<double> leak(0.0, p.field_leak);
  return {norm * (c - leak * s), norm * (s + leak * c), norm * (leak * c - s), norm * (leak * s + c)};
}

}  // namespace cohlink
