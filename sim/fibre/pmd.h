// Polarisation-mode dispersion: drawing birefringence, and reading DGD and second-order PMD from a plan.
#pragma once

#include <cstddef>
#include <vector>

#include "sim/signal/propagation/jones.h"
#include "sim/signal/propagation/plan.h"
#include "sim/signal/random.h"

namespace cohlink {

/// A 2x2 unitary matrix of determinant 1, uniform over all of them (Haar): a uniform unit quaternion.
JonesMatrix random_unitary(RandomStream& random);

/// `count` >= 1 lengths [m] that sum to `total`, each varied by +-50 % (uniform): equal sections would make
/// the response periodic in frequency.
std::vector<double> varied_section_lengths(double total, std::size_t count, RandomStream& random);

/// A section of `length` [m] with uniformly random orientation. Its DGD is sqrt(3 pi/8) coefficient
/// sqrt(length): the DGDs of many sections add in the root of their squares to the RMS, and the mean of a
/// Maxwell distribution is sqrt(8/(3 pi)) of its RMS, so that the mean DGD of the whole is coefficient
/// sqrt(L). `coefficient` [s/sqrt(m)].
PmdSection random_pmd_section(double coefficient, double length, RandomStream& random);

/// PMD at one frequency. Vectors are in Stokes space at the OUTPUT; the DGD vector points to the slow state
/// and its derivative is taken in FFT frequency w (positive w: lower optical frequency).
struct PmdState {
  StokesVector vector{};                ///< s
  StokesVector second_order{};          ///< d vector / d w, s^2
  double dgd = 0.0;                     ///< |vector|, s
  double second_order_magnitude = 0.0;  ///< s^2
};

/// From the plan's Jones matrix J(w) and its first two derivatives, carried exactly through the product of
/// its elements: i J' J^-1 = 1/2 W . sigma, but for a delay common to all light (Gordon and Kogelnik, PNAS
/// 97(9) 4541, 2000). With PDL W is complex and the two principal states are not orthogonal: the DGD is the
/// difference of the real parts of the eigenvalues, Re sqrt(W . W), and the vector is the DGD along the
/// eigenvector of the slow one (Huttner, Geiser and Gisin, IEEE J. Sel. Top. Quantum Electron. 6(2) 317,
/// 2000; Heffner, IEEE Photon. Technol. Lett. 4(9) 1066, 1992, measures the same). An optical filter changes
/// neither.
PmdState pmd_state(const PropagationPlan& plan, double frequency);

}  // namespace cohlink
