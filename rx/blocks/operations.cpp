#include "rx/blocks/operations.h"

#include <bit>
#include <cmath>
#include <stdexcept>

#include "rx/blocks/decision.h"
#include "rx/blocks/distance.h"
#include "rx/blocks/symbol_arithmetic.h"
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

Operations butterfly_operations(int taps, int inputs, std::size_t block, double error_share) {
  const double filters = 2.0 * inputs * taps;
  const Operations accumulated = kComplexProduct + kComplexSum;
  return filters * ((1.0 + error_share) * accumulated +
                    1.0 / static_cast<double>(block) * (kRealTimesComplex + kComplexSum));
}

Operations butterfly_turn_operations(int taps, std::size_t block) {
  const Operations imaginary_part{2, 1, 0};
  const Operations seen = 2.0 * (kComplexProduct + kComplexSum + imaginary_part + Operations{0, 1, 0}),
                   mixed = 4.0 * kComplexProduct + 2.0 * kComplexSum;
  return 2.0 * taps / static_cast<double>(block) * (seen + mixed);
}

namespace {

using Z = std::complex<Counted>;

// Any symbol, output, phasor: what is done with one does not depend on where it lies.
const Counted kRe = 0.3, kIm = 0.4;
const Z kZ{kRe, kIm};

constexpr Operations kComparison{0, 1, 0};

// One symbol under a test phase: turned by it, its squared distance to the decision, added to the phase's
// sum.
Operations distance_operations(Modulation modulation) {
  const DistanceShape shape(constellation(modulation));
  Counted sum;
  return Counted::count([&] {
    switch (shape.folds.size()) {
      case 1:
        return void(sum += turned_distance(FoldDistance<1>(shape), kRe, kIm, kRe, kIm));
      case 2:
        return void(sum += turned_distance(FoldDistance<2>(shape), kRe, kIm, kRe, kIm));
      case 3:
        return void(sum += turned_distance(FoldDistance<3>(shape), kRe, kIm, kRe, kIm));
      default:
        return void(sum += turned_distance(PointDistance(shape), kRe, kIm, kRe, kIm));
    }
  });
}

// The smallest of the sums, and the parabola through it and its neighbours; a division counts as a
// multiplication.
Operations minimum_operations(int test_phases) {
  return (test_phases - 1.0) * kComparison + Operations{3, 5, 0};
}

Operations decision_operations(Modulation modulation) {
  return Counted::count([&] {
    with_decision(constellation(modulation), [&](const auto& decide) { decide.nearest(kRe, kIm); });
  });
}

// Comparisons with the borders between rings.
double borders(Modulation modulation) {
  return static_cast<double>(constellation(modulation).rings().size() - 1);
}

Operations product_operations() {
  return Counted::count([] { kZ* kZ; });
}

// The running gain after a block, and its inverse before the next.
Operations gain_operations() {
  return Counted::count([] { Counted(1.0) / moved_gain(kRe, kRe, kIm); });
}

}  // namespace

Operations modulus_error_operations() {
  return 2.0 * Counted::count([] { modulus_error(kRe, kRe, kIm); });
}

Operations decision_error_operations(Modulation modulation, int test_phases, std::size_t block) {
  GainSums<Counted> sums;
  const Operations every = Counted::count([&] {
                             const Z turned = kRe * kZ * kZ;  // scaled, offset taken off
                             sums.add(turned * std::conj(kZ), kZ);
                             decision_error(kZ, kZ, kZ, kZ);
                           }) +
                           test_phases * distance_operations(modulation) + decision_operations(modulation);
  const Operations once =
      minimum_operations(test_phases) + gain_operations() + Operations{0, 0, 1};  // the phasor
  return 2.0 * (every + 1.0 / static_cast<double>(block) * once) +
         product_operations();  // the offset's phasor
}

namespace {

// What a known symbol shows of the phase (smooth_phase): its product, off the phase so far, the angle, and a
// step of the filter either way.
Operations shown_phase_operations() { return 2.0 * product_operations() + Operations{2, 4, 1}; }

}  // namespace

Operations guided_error_operations(Modulation modulation, double known_share, std::size_t block) {
  GainSums<Counted> sums;
  const Operations every = Counted::count([&] {
                             const Z turned = kRe * kZ * std::conj(kZ);  // scaled, phase taken off
                             sums.add(turned, kZ);
                             kZ* kZ - kZ;  // the carrier put back
                           }) +
                           decision_operations(modulation) +
                           Operations{0, 1, 1};  // the phase between known symbols, its phasor
  return 2.0 * (every + known_share * shown_phase_operations() +
                1.0 / static_cast<double>(block) * gain_operations());
}

Operations known_error_operations(double known_share) {
  const Operations error = Counted::count([] { kZ* kZ - kZ; }) + Operations{0, 0, 1};
  return 2.0 * known_share * (error + shown_phase_operations());
}

Operations ring_gradient_operations(Modulation modulation) {
  const Operations power = Counted::count([] { size_squared(kRe, kIm); }),
                   ring = Counted::count([] { nearer_ring(kRe, kIm, kRe, kIm); }),
                   error = Counted::count([] { ring_error(kRe, kRe, kRe, kIm); });
  return power + borders(modulation) * ring + error;
}

Operations axis_gradient_operations() {
  return Counted::count([] { axis_error(kRe, kZ); });
}

Operations decision_gradient_operations() {
  return Counted::count([] { kZ - kZ; });
}

Operations widely_linear_operations(Modulation modulation, const Operations& gradient,
                                    const WidelyLinearShape& shape) {
  const auto [own_angles, taps, test_phases, block] = shape;
  const auto symbols = static_cast<double>(block);
  const double reached = 2.0 * symbols + taps - 1.0;
  // Two phasors go on, and each row is taken off the carrier and its image.
  const Operations off =
      2.0 * product_operations() + 2.0 * Counted::count([] { without_carrier(kZ, kZ, kZ); });
  TurnSums<Counted> sums;
  const Operations every = Counted::count([&] {
                             const Z z = kRe * kZ * std::conj(kZ);  // scaled, phase taken off
                             sums.add(z, kZ);
                             (kRe * z) * kZ;  // at the decisions' scale; the error's carrier put back
                           }) +
                           test_phases * distance_operations(modulation) + decision_operations(modulation) +
                           gradient;
  const Operations back = 3.0 * product_operations();  // the phasor, and both outputs
  Operations once = minimum_operations(test_phases) + gain_operations() +
                    Operations{0, 2, 0}  // both outputs' sums together
                    +
                    Operations{0, 4, 4};  // phases go on; phasors of the carrier, its image and what is left
  if (own_angles)
    once += 2.0 * (2.0 * product_operations() + Operations{1, 0, 2} + symbols * product_operations());
  return reached / symbols * off + 2.0 * every + back + 1.0 / symbols * once;
}

Operations phase_search_operations(Modulation modulation, int test_phases, int rows) {
  const Operations running{0, 2.0 * test_phases, 0};
  return static_cast<double>(rows) * (test_phases * distance_operations(modulation)) + running +
         minimum_operations(test_phases);
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
  Z sum;
  const Operations every =
      decision_operations(modulation) + Counted::count([&] { sum += kZ * std::conj(kZ); });
  // Back to the symbols as they came, a window that slides, and its angle against the symbol's own.
  return static_cast<double>(rows) * every + 2.0 * product_operations() + 2.0 * kComplexSum +
         Operations{0, 0, 2};
}

}  // namespace cohlink
