// A span of a fibre type, in SI.
#pragma once

#include "sim/fibre/line.h"
#include "sim/signal/line/fibre_types.h"

namespace cohlink {

/// A span of `length` [m] of that type, in SI.
inline Span span_of(const FibreType& type, double length) {
  Span span;
  span.length = length;
  span.loss = db_per_km_to_per_m(type.attenuation_db_per_km);
  span.beta2 = dispersion_to_beta2(type.dispersion_ps_per_nm_km);
  span.beta3 = slope_to_beta3(type.slope_ps_per_nm2_km, type.dispersion_ps_per_nm_km);
  span.gamma = type.nonlinear_coefficient_per_w_km * 1e-3;
  span.pmd_coefficient = type.pmd_ps_per_sqrt_km * 1e-12 / 31.622776601683793;  // per sqrt(km) to per sqrt(m)
  return span;
}

}  // namespace cohlink
