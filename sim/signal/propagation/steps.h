// How to cut fibre into split steps.
#pragma once

#include <vector>

#include "sim/signal/propagation/plan.h"

namespace cohlink {

enum class StepLaw {
  kConstant,        ///< equal steps
  kLossMatched,     ///< h ~ exp(loss z / 3), with the same number of steps
  kNonlinearPhase,  ///< Kerr phase of the mean power per step at most `max_phase`
  kLocalError,      ///< chosen while running, see AdaptiveStretch
};

/// How to cut fibre into steps. Whatever the law, no step exceeds the dispersive cap
/// h < 2 / (pi |beta2| B^2) beyond which split steps make four-wave mixing of their own (B: total optical
/// bandwidth of the signal; the constant is as measured here). kLossMatched makes the local error of a step,
/// h^3 P(z) to leading order, the same everywhere; laws are compared by O. V. Sinkin, R. Holzloehner, J.
/// Zweck and C. R. Menyuk, J. Lightwave Technol. 21(1) 61 (2003).
///
/// Measured on 20 x 80 km of G.652.D, one 32 GBd channel at +2 dBm: with these defaults every law is within
/// 0.005 dB of a converged run in the SNR of nonlinear noise, at 20 (loss-matched), 20 (constant), 39 (phase)
/// and 21 x 3 (local error) steps a span. Loss-matched is the default: it costs least and asks for no power.
/// Five channels at 50 GHz over the same fibre, the one comb measured, are ruled by the cap: 150 steps
/// whatever the law, within 0.01 dB. Elsewhere (other fibres, more channels, more power) a run at half the
/// step tells.
struct StepControl {
  StepLaw law = StepLaw::kLossMatched;
  int steps_per_span = 20;  ///< knob of kConstant and kLossMatched: steps in one span; error as its square
  double max_phase = 1e-3;  ///< rad, knob of kNonlinearPhase
  double tolerance = 1e-4;  ///< relative local error, knob of kLocalError
  double cap_factor = 1.0;  ///< multiplies the dispersive cap; below 1 is finer
  double min_step = 0.1;    ///< m, the floor of kLocalError
};

/// The dispersive cap on the step [m]: 2 / (pi |beta2| B^2); infinite without dispersion.
double dispersive_step_cap(double beta2, double bandwidth);

/// The control that makes half of `control`'s steps, cap included: for a run that checks the numerical error.
/// (The local error goes as the cube of the step, so kLocalError gets an eighth of the tolerance.)
StepControl halved(const StepControl& control);

/// Sample rate [Hz] below which first-order Kerr products alias into the channel read: 1.5 B + f_edge, B the
/// total optical bandwidth of the signal (its products reach +-1.5 B), f_edge the largest |frequency| of that
/// channel.
double kerr_alias_free_rate(double bandwidth, double channel_edge);

/// Step lengths [m] for `length` [m] of fibre by `control`, `power` [W] at its input; they sum to the length.
/// kLocalError has no fixed steps and throws std::invalid_argument.
std::vector<double> step_lengths(const FibreConstants& fibre, double length, const StepControl& control,
                                 double bandwidth, double power);

}  // namespace cohlink
