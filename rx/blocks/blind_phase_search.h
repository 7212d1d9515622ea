// Blind phase search: the carrier phase that brings the symbols nearest to their decisions.
#pragma once

#include <complex>
#include <cstddef>
#include <cstdint>
#include <span>
#include <vector>

#include "rx/blocks/distance.h"
#include "sim/signal/constellation.h"
#include "sim/signal/execution/execution.h"
#include "sim/signal/field.h"

namespace cohlink {

struct BlindPhaseSearchParameters {
  Modulation modulation = Modulation::kQpsk;
  int window = 64;       // symbols averaged, centred; even numbers take one more
  int test_phases = 32;  // across a quarter turn
};

/// T. Pfau, S. Hoffmann and R. Noe, J. Lightwave Technol. 27(8) 989 (2009): each symbol is turned by
/// every test phase, squared distances to the nearest constellation point are averaged over the window, and
/// the phase with the least wins; a parabola through its neighbours refines it below the grid's step
/// (as in X. Zhou, C. Lu, A. P. T. Lau and K. Long's quadratic approximations). The result is unwrapped
/// modulo a quarter turn, symbol by symbol: a wrong turn there is a cycle slip.
class BlindPhaseSearch {
 public:
  /// std::invalid_argument for Gaussian symbols, a window below 1 or fewer than 4 test phases.
  explicit BlindPhaseSearch(const BlindPhaseSearchParameters& parameters, Execution execution = {});

  /// Phase per symbol [rad], one for all rows, which must share it (and be scaled so that their signal
  /// part has unit power).
  std::vector<double> operator()(std::span<const std::complex<float>* const> rows, std::size_t count) const;

  /// One phase for all of `symbols`, in [-pi/4, pi/4): what an adaptation loop needs.
  double block_phase(std::span<const std::complex<float>> symbols) const;

  int half_window() const { return p_.window / 2; }

 private:
  double phase_at(float place) const;  // of a place on the grid of test phases, in steps

  BlindPhaseSearchParameters p_;
  Execution execution_;
  DistanceShape shape_;
  AlignedVector<float> cos_, sin_;  // of the test phases, filled up to whole vectors
  AlignedVector<std::uint32_t> index_;
};

/// Adds to each phase the multiple of `period` that brings it nearest its predecessor.
void unwrap(std::vector<double>& phase, double period);

}  // namespace cohlink
