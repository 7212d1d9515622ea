#include "rx/blocks/operations.h"

#include <bit>
#include <cmath>
#include <stdexcept>

#include "rx/blocks/decision.h"
#include "rx/blocks/distance.h"
#include "rx/stage/counted.h"

namespace cohlink {

Operations fft_operations(std::size_t n) {
  if (!std::has_single_bit(n)) throw std::invalid_argument("operations of an FFT of a power of two only");
  if (n == 1) return {};
  if (n == 2) return {0, 4, 0};
  const double N = static_cast<double>(n), bits = std::countr_zero(n),
               sign = std::countr_zero(n) % 2 ? -1 : 1;
  return {4.0 / 3.0 * N * bits - 38.0 / 9.0 * N + 6.0 + 2.0 / 9.0 * sign,
          8.0 / 3.0 * N * bits - 16.0 / 9.0 * N + 2.0 - 2.0 / 9.0 * sign, 0};
}

Operations overlap_save_operations(std::size_t block, std::size_t overlap) {
  const Operations whole = 2.0 * fft_operations(block) + static_cast<double>(block) * kComplexProduct;
  return 2.0 / static_cast<double>(block - overlap) * whole;
}

Operations orthonormalise_operations() {
  const Operations measured{3, 3, 0}, corrected{3, 1, 0};
  return 2.0 * (measured + corrected);
}

Operations circular_fit_operations() {
  const Operations power = kSquaredMagnitude + Operations{0, 1, 0}, squares{3, 1, 0}, equations{15, 20, 0},
                   corrected{3, 3, 0};
  return 2.0 * (2.0 * power + 2.0 * kRealTimesComplex + squares + equations + corrected);
}

Operations interpolation_operations(std::size_t taps, bool blended) {
  const auto n = static_cast<double>(taps);
  const Operations one{2.0 * n, 2.0 * (n - 1.0), 0};
  return 2.0 * (blended ? 2.0 * one + Operations{4, 2, 0} : one);
}

Operations rotation_operations() { return 3.0 * kComplexProduct; }  // the phasor's own and one for each row

Operations butterfly_operations(int taps, int inputs, std::size_t block) {
  const double filters = 2.0 * inputs * taps;
  const Operations accumulated = kComplexProduct + kComplexSum;
  return filters * (2.0 * accumulated + 1.0 / static_cast<double>(block) * (kRealTimesComplex + kComplexSum));
}

Operations modulus_error_operations() {
  return 2.0 * (kSquaredMagnitude + Operations{0, 1, 0} + kRealTimesComplex);
}

namespace {

// Squared distance of one symbol to its decision: what BlindPhaseSearch's kernel does with each.
Operations distance(Modulation modulation) {
  const DistanceShape shape(constellation(modulation));
  const Counted re = 0.3, im = 0.4;
  return Counted::count([&] {
    switch (shape.folds.size()) {
      case 1:
        return FoldDistance<1>(shape)(re, im);
      case 2:
        return FoldDistance<2>(shape)(re, im);
      case 3:
        return FoldDistance<3>(shape)(re, im);
      default:
        return PointDistance(shape)(re, im);
    }
  });
}

// Those of one symbol under every test phase, turned by it, added to their sums.
Operations distances(Modulation modulation, int test_phases) {
  return static_cast<double>(test_phases) * (kComplexProduct + distance(modulation) + Operations{0, 1, 0});
}

constexpr Operations kParabola{3, 5, 0};  // a division counts as a multiplication

Operations decision(Modulation modulation) {
  const Counted re = 0.3, im = 0.4;
  return Counted::count(
      [&] { with_decision(constellation(modulation), [&](const auto& decide) { decide.nearest(re, im); }); });
}

// Comparisons with the borders between rings.
double borders(Modulation modulation) {
  return static_cast<double>(constellation(modulation).rings().size() - 1);
}

}  // namespace

Operations decision_error_operations(Modulation modulation, int test_phases, std::size_t block) {
  const Operations every = kRealTimesComplex + kComplexProduct             // scaled, offset taken off
                           + distances(modulation, test_phases)            //
                           + kComplexProduct + decision(modulation)        // phase taken off, decided
                           + Operations{2, 2, 0} + Operations{2, 2, 0}     // gain's two sums
                           + 2.0 * kComplexProduct + kComplexSum;          // carrier put back on the decision
  const Operations once = Operations{0, test_phases - 1.0, 0} + kParabola  //
                          +
                          Operations{4, 4, 1};  // gain: a ratio, a step, two bounds, its inverse; the phasor
  return 2.0 * (every + 1.0 / static_cast<double>(block) * once) + kComplexProduct;  // the offset's phasor
}

Operations ring_gradient_operations(Modulation modulation) {
  const Operations rings{0, borders(modulation), 0};
  return kSquaredMagnitude + rings + Operations{0, 1, 0} + kRealTimesComplex;
}

Operations axis_gradient_operations() { return {4, 2, 0}; }

Operations decision_gradient_operations() { return kComplexSum; }

Operations widely_linear_operations(Modulation modulation, const Operations& gradient, bool own_angles,
                                    int taps, int test_phases, std::size_t block) {
  const auto symbols = static_cast<double>(block);
  const double reached = 2.0 * symbols + taps - 1.0;
  const Operations off = 6.0 * kComplexProduct;  // two phasors, and two turns of each row
  const Operations every = kRealTimesComplex + distances(modulation, test_phases)  // scaled, searched
                           + kComplexProduct + decision(modulation)                // phase taken off, decided
                           + kComplexProduct + kComplexSum + Operations{2, 2, 0}   // gain's two sums
                           + kRealTimesComplex + gradient + kComplexProduct;       // carrier put back
  const Operations back = 3.0 * kComplexProduct;  // the phasor, and both outputs
  Operations once = Operations{0, test_phases - 1.0, 0} + kParabola +
                    Operations{4, 6, 0}  // gain: a ratio, a step, two bounds, its inverse, both outputs
                    +
                    Operations{0, 4, 4};  // phases go on; phasors of the carrier, its image and what is left
  if (own_angles) once += 2.0 * (2.0 * kComplexProduct + Operations{1, 0, 2} + symbols * kComplexProduct);
  return reached / symbols * off + 2.0 * every + back + 1.0 / symbols * once;
}

Operations phase_search_operations(Modulation modulation, int test_phases, int rows) {
  const double phases = test_phases;
  const Operations running{0, 2.0 * phases, 0}, smallest{0, phases - 1.0, 0};
  return static_cast<double>(rows) * distances(modulation, test_phases) + running + smallest + kParabola;
}

Operations fourth_power_operations(Modulation modulation, int rows) {
  // y^4 by two squarings of 3 multiplications (2 ab shares one with a doubling) each, over a power of |y|.
  const Operations square{3, 2, 0};
  const double rings = borders(modulation);
  const Operations choice{rings > 0.0 ? 1.0 : 0.0, rings, 0};
  return static_cast<double>(rows) *
             (2.0 * square + kSquaredMagnitude + kRealTimesComplex + choice + kComplexSum) +
         2.0 * kComplexSum + Operations{0, 0, 1};
}

Operations decision_phase_operations(Modulation modulation, int rows) {
  return static_cast<double>(rows) * (decision(modulation) + kComplexProduct + kComplexSum) +
         2.0 * kComplexProduct + 2.0 * kComplexSum + Operations{0, 0, 2};
}

}  // namespace cohlink
