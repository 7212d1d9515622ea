// Taps of the 2x2 equaliser.
#pragma once

#include <array>
#include <complex>
#include <vector>

namespace cohlink {

/// filters[output][input], `taps` coefficients each, half a symbol apart; output i at symbol k is
/// sum_j sum_n filters[i][j][n] x_j[2 k + n - taps / 2].
using EqualiserTaps = std::array<std::array<std::vector<std::complex<float>>, 2>, 2>;

}  // namespace cohlink
