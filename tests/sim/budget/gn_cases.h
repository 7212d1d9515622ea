// Lines and light that the tests of the Gaussian-noise models share.
#pragma once

#include <cstddef>

#include "sim/budget/gn_light.h"
#include "sim/signal/units.h"

namespace cohlink::test {

inline GnSection standard_span() {
  GnSection span;
  span.length = 80e3;
  span.loss = db_per_km_to_per_m(0.2);
  span.beta2 = dispersion_to_beta2(17.0);
  span.gamma = 1.3e-3;
  return span;
}

inline GnLine standard_spans(std::size_t count) { return GnLine(count, standard_span()); }

inline GnChannel channel(double roll_off, Modulation modulation = Modulation::kGaussian) {
  GnChannel own;
  own.pulse.symbol_rate = 32e9;
  own.pulse.roll_off = roll_off;
  own.moments = format_moments(modulation);
  return own;
}

inline double db_between(double a, double b) { return to_db(a / b); }

}  // namespace cohlink::test
