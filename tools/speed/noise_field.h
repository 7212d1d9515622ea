// Light to be propagated while time is taken.
#pragma once

#include <complex>
#include <cstddef>

#include "sim/signal/field.h"
#include "sim/signal/random.h"

namespace cohlink {

/// White noise of 0.4 mW in each polarisation, 64 samples a nanosecond, always the same.
template <class Real>
Field<Real> noise_field(std::size_t n) {
  Field<Real> field(n, 64e9);
  RandomStream random(2);
  for (auto* row : field.rows()) {
    for (auto& a : *row) a = std::complex<Real>(0.02 * random.complex_normal());
  }
  return field;
}

}  // namespace cohlink
