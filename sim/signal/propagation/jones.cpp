#include "sim/signal/propagation/jones.h"

#include <cmath>
#include <stdexcept>

namespace cohlink {

JonesMatrix stokes_rotation(const StokesVector& axis, double theta) {
  const double c = std::cos(theta / 2.0), s = std::sin(theta / 2.0);
  const auto [a1, a2, a3] = axis;
  // -i s (a . sigma), written out.
  return {{c, -s * a1}, {-s * a3, -s * a2}, {s * a3, -s * a2}, {c, s * a1}};
}

JonesMatrix pdl_element(double pdl) {
  if (!(pdl >= 1.0))
    throw std::invalid_argument("PDL must be at least 1, its largest over smallest transmission");
  return {1.0, 0.0, 0.0, 1.0 / std::sqrt(pdl)};
}

}  // namespace cohlink
