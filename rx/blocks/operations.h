// What blocks cost in arithmetic. What is done with symbols is counted in the functions that the blocks run
// (symbol_arithmetic.h, decision.h, distance.h), with a number that counts (stage/counted.h); transforms,
// filters, moments and the fourth power follow their formulas.
#pragma once

#include <cstddef>

#include "rx/stage/cost.h"
#include "sim/signal/constellation.h"

namespace cohlink {

/// Complex FFT of a power of two: split radix with products of 4 multiplications and 2 additions, 4 N log2 N
/// - 6 N + 8 in all (R. Yavne, Proc. AFIPS FJCC 33, 115, 1968; counts as in S. G. Johnson and M. Frigo, IEEE
/// Trans. Signal Process. 55(1) 111, 2007). FFTW's own plans differ from it by up to a sixth (tests/rx).
Operations fft_operations(std::size_t n);

/// One sample of both rows through an overlap-save filter: two transforms and a product, `overlap` of every
/// `block` samples thrown away.
Operations overlap_save_operations(std::size_t block, std::size_t overlap);

/// One sample of both rows: powers, cross power, projection and two gains.
Operations orthonormalise_operations();

/// One sample of both rows: its power before and after, scaled, three squares, 15 products and 20 sums for
/// the ellipse's equations, centre, shear and gains, scaled back. Solving the equations, once a capture, is
/// left out.
Operations circular_fit_operations();

/// One output sample of both rows from a real filter of `taps`; `blended`: from two of them, interpolated.
Operations interpolation_operations(std::size_t taps, bool blended);

/// One sample of both rows turned by a phasor that is itself turned on.
Operations rotation_operations();

/// One symbol through the adaptive filters from `inputs` complex rows to two outputs, and their gradient,
/// of which a share of the symbols makes errors, applied once a block of `block` symbols.
Operations butterfly_operations(int taps, int inputs, std::size_t block, double error_share = 1.0);

/// The turn of both inputs into one another, one symbol: once a block of `block` symbols the turn from taps
/// and gradient, and the taps from either input mixed with the other's.
Operations butterfly_turn_operations(int taps, std::size_t block);

/// Error rules of the equaliser, both outputs, one symbol. Decision directed includes its phase search.
Operations modulus_error_operations();
Operations decision_error_operations(Modulation modulation, int test_phases, std::size_t block);

/// The same at a carrier phase that known symbols show, a share of all; by decisions, or at those symbols
/// alone.
Operations guided_error_operations(Modulation modulation, double known_share, std::size_t block);
Operations known_error_operations(double known_share);

/// One output's error z -> (R - |z|^2) z, ring chosen; per axis, (R - z_I^2) z_I; from the decision at hand.
Operations ring_gradient_operations(Modulation modulation);
Operations axis_gradient_operations();
Operations decision_gradient_operations();
/// What the widely linear form is made of. `own_angles`: each output follows its own angle to the grid.
struct WidelyLinearShape {
  bool own_angles;
  int taps, test_phases;
  std::size_t block;
};
/// The widely linear form but for its filters, both outputs, one symbol: carriers off every sample that the
/// taps of a block reach, one phase search for both outputs, `gradient` of each, carriers put back.
Operations widely_linear_operations(Modulation modulation, const Operations& gradient,
                                    const WidelyLinearShape& shape);

/// One phase estimate by blind search over `rows` rows that share it, one symbol.
Operations phase_search_operations(Modulation modulation, int test_phases, int rows);
/// The same by the fourth power.
Operations fourth_power_operations(Modulation modulation, int rows);
/// The second stage on decisions.
Operations decision_phase_operations(Modulation modulation, int rows);

}  // namespace cohlink
