// The carrier's phase at known symbols, smoothed, and between them.
#pragma once

#include <array>
#include <complex>
#include <cstddef>
#include <span>
#include <vector>

namespace cohlink {

/// A phase that walks at random, seen through noise.
struct PhaseWalk {
  double walk = 0.0;   // variance that it gains in a symbol [rad^2]
  double noise = 0.0;  // variance of one look at it [rad^2]
};

/// Both, from products y conj(s) at known symbols' `places` (ascending): the mean square change of their
/// angle grows with distance as 2 noise + walk x distance; it is taken between neighbours and between every
/// sixteenth, wrapped into a turn. None of either where there are fewer than 32 of them.
PhaseWalk measure_walk(std::span<const std::size_t> places, std::span<const std::complex<double>> products);

/// The phase at each place, unwrapped [rad]: Kalman filter of the walk, then back over it (H. E. Rauch, F.
/// Tung and C. T. Striebel, AIAA J. 3(8) 1445, 1965). Angles are taken relative to what the filter expects.
std::vector<double> smooth_phase(std::span<const std::size_t> places,
                                 std::span<const std::complex<double>> products, const PhaseWalk& walk);

/// Straight lines between the places, where the walk is expected to be; level beyond the outer ones. For
/// symbols [first, last).
std::vector<double> between(std::span<const std::size_t> places, std::span<const double> phase,
                            std::size_t first, std::size_t last);

/// What known symbols of two rows show that share a carrier: its phase from both together, and the slow angle
/// of Y against X, averaged over some tens of them.
class TogetherSeen {
 public:
  TogetherSeen(std::vector<std::size_t> places,
               const std::array<std::vector<std::complex<double>>, 2>& products);

  PhaseWalk walk() const { return measure_walk(places_, both_); }
  /// Of X and of Y on symbols [first, last) [rad].
  std::array<std::vector<double>, 2> phase_between(const PhaseWalk& walk, std::size_t first,
                                                   std::size_t last) const;

 private:
  std::vector<std::size_t> places_;
  std::vector<std::complex<double>> both_;
  std::vector<double> apart_;
};

}  // namespace cohlink
