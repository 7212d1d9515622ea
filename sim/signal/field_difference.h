// How far one field is from another.
#pragma once

#include <complex>
#include <cstddef>

#include "sim/signal/field.h"

namespace cohlink {

/// Power of a - b over that of b, both polarisations, worked out in double precision: the square of the
/// relative error of a. Fields of one length; NaN where both are dark.
template <class A, class B>
double difference_power(const Field<A>& a, const Field<B>& b) {
  double difference = 0.0, whole = 0.0;
  for (std::size_t row = 0; row < 2; ++row) {
    for (std::size_t i = 0; i < a.size(); ++i) {
      const std::complex<double> x((*a.rows()[row])[i]), y((*b.rows()[row])[i]);
      difference += std::norm(x - y);
      whole += std::norm(y);
    }
  }
  return difference / whole;
}

}  // namespace cohlink
