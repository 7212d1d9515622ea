// Nonlinear interference by the closed asinh form of the Gaussian-noise model: density at band centre over
// the whole symbol rate. Sources: P. Poggiolini, J. Lightwave Technol. 30(24) 3857 (2012); P. Poggiolini et
// al., J. Lightwave Technol. 32(4) 694 (2014). Formulas from memory, prefactor and conventions checked
// numerically.
#pragma once

#include "sim/budget/gn_light.h"

namespace cohlink {

/// Spans added in power (N), or with the coherence exponent (N^(1+eps)).
enum class Accumulation { kIncoherent, kCoherent };

/// eta [1/W^2], P_NLI = eta P^3. A lossless span counts with an asymptotic length of half its own (same
/// height and area of its efficiency). The form is for one channel or a regular comb of equals: NaN for other
/// light.
double gn_closed_form(const GnLine& line, const GnLight& light, Accumulation accumulation);

}  // namespace cohlink
