// Carrier phase by the fourth-power law.
#pragma once

#include <complex>
#include <cstddef>
#include <span>
#include <vector>

#include "sim/signal/constellation.h"

namespace cohlink {

struct FourthPowerPhaseParameters {
  Modulation modulation = Modulation::kQpsk;
  int window = 64;  // symbols averaged, centred; even numbers take one more
};

/// A. J. Viterbi and A. M. Viterbi, IEEE Trans. Inf. Theory 29(4) 543 (1983): arg(-sum F(|y|) e^(4 i arg y))
/// / 4 over the window, with F(r) = r^2 for QPSK. 16QAM by QPSK partition: only symbols of the inner and the
/// outer ring, which lie on the diagonals, are used, at equal weight; I. Fatadin, D. Ives and S. J. Savory,
/// IEEE Photon. Technol. Lett. 22(9) 631 (2010). Unwrapped modulo a quarter turn.
class FourthPowerPhase {
 public:
  /// std::invalid_argument for Gaussian symbols or a window below 1.
  explicit FourthPowerPhase(const FourthPowerPhaseParameters& parameters);

  /// Phase per symbol [rad], one for all rows, which must share it and have unit signal power.
  std::vector<double> operator()(std::span<const std::complex<float>* const> rows, std::size_t count) const;

 private:
  std::complex<double> term(std::complex<double> y) const;
  FourthPowerPhaseParameters p_;
};

}  // namespace cohlink
