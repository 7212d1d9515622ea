// Second stage of the carrier phase: maximum likelihood, given the first stage's decisions.
#pragma once

#include <complex>
#include <cstddef>
#include <span>
#include <vector>

#include "sim/signal/constellation.h"

namespace cohlink {

struct DecisionPhaseParameters {
  Modulation modulation = Modulation::kQpsk;
  int window = 32;  // symbols averaged, centred; even numbers take one more
};

/// arg of sum y conj(decision) over the window: the maximum-likelihood phase if the decisions are right, at
/// the Cramer-Rao bound 1/(2 N SNR) then. Decisions are taken on symbols that a first stage has turned; the
/// sum is over the symbols as they came, or the first stage's own noise would stay on. Cures a coarse grid of
/// test phases, or the noise of a fourth power that uses few of the symbols. X. Zhou, IEEE Photon. Technol.
/// Lett. 22(14) 1051 (2010); J. G. Proakis, Digital Communications, ch. 6.
class DecisionPhase {
 public:
  /// std::invalid_argument for Gaussian symbols or a window below 1.
  explicit DecisionPhase(const DecisionPhaseParameters& parameters);

  /// Phase left per symbol [rad], one for all rows, which must share it and have unit signal power.
  /// `removed`: the phase [rad] already taken off each symbol, up to a constant.
  std::vector<double> operator()(std::span<const std::complex<float>* const> rows,
                                 std::span<const double> removed) const;

 private:
  DecisionPhaseParameters p_;
};

}  // namespace cohlink
