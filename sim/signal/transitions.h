// How often one point of a constellation is taken for another.
#pragma once

#include <vector>

#include "sim/signal/constellation.h"

namespace cohlink {

/// P(`decided` is the likeliest point | `sent`), the nearest one where all are sent equally often, decided !=
/// sent, in white Gaussian noise of total power N0 = 1 / `snr`: [sent][decided], zero on the diagonal, where
/// nothing is asked. Exact products of the axes' for square constellations; for others the integral of the
/// noise's density over the decision region, a polygon, one axis in closed form and one by adaptive
/// Gauss-Kronrod quadrature to 1e-9 of its value.
std::vector<std::vector<double>> transitions(const Constellation& constellation, double snr);

}  // namespace cohlink
