// The polarisation splitter in front of the two hybrids, as a Jones matrix (R. C. Jones, J. Opt. Soc. Am.
// 31(7) 488, 1941).
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
/// is what energy conservation asks of a symmetric coupler (S^dagger S = 1; H. A. Haus, Waves and Fields in
/// Optoelectronics, Prentice Hall 1984). Crosstalk between polarised signals of equal power, in one output:
/// |S_xy|^2/|S_xx|^2, that is e^2 at angle 0 and tan^2(angle) at e = 0. Any real angle and leak will do.
inline JonesMatrix splitter_matrix(const PolarisationSplitterParameters& p) {
  const double c = std::cos(p.angle), s = std::sin(p.angle), norm = 1.0 / std::hypot(1.0, p.field_leak);
  const std::complex<double> leak(0.0, p.field_leak);
  return {norm * (c - leak * s), norm * (s + leak * c), norm * (leak * c - s), norm * (leak * s + c)};
}

}  // namespace cohlink
