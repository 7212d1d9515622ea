// How a line of spans, amplifiers and sites becomes a plan of steps.
#pragma once

#include <vector>

#include "sim/signal/line/line.h"
#include "sim/signal/line/wide_band.h"
#include "sim/signal/propagation/plan.h"
#include "sim/signal/propagation/steps.h"
#include "sim/signal/random.h"
#include "sim/signal/units.h"

namespace cohlink {

/// Birefringence: each span is `sections_per_span` sections, their lengths varied by +-50 % (uniform),
/// uniformly random orientation, section DGD = sqrt(3 pi/8) coefficient sqrt(section length), so that the
/// MEAN DGD is coefficient sqrt(length). 0 chooses enough for at least 100 sections in the line, 10 or more
/// in a span.
struct PmdControl {
  int sections_per_span = 0;
};

/// What a plan of the line is made from.
struct LineParameters {
  std::vector<LineSection> sections;
  StepControl steps;
  PmdControl pmd;
  double bandwidth = 0.0;  ///< Hz, total optical bandwidth of the signal, > 0: sets the dispersive cap
  double launch_power =
      1e-3;  ///< W into each span, all channels and polarisations; only kNonlinearPhase uses it
  double carrier = kCarrierHz;  ///< Hz, for the photon energy of ASE
  CombWalk walk;  ///< of the same sections, where loss, Raman scattering or amplifiers hang on frequency
};

/// Step lengths [m] for one span by `control`, `power` [W] at its input (propagation/steps.h).
std::vector<double> step_lengths(const Span& span, const StepControl& control, double bandwidth,
                                 double power);

/// The plan. Birefringence and PDL axes come from streams "birefringence-span-<k>" and "pdl-span-<k>" (pass
/// streams of frame 0 always for a frozen fibre, of the frame for one that is redrawn); ASE will be drawn by
/// the engine from "ase-span-<k>", k counting from 1. A section border lies at the step edge nearest to it:
/// sections commute with dispersion and loss, so the line's Jones matrix is exact and only their place in the
/// Kerr effect moves, by at most half a step. Throws std::invalid_argument, naming the quantity, for lengths
/// or bandwidth not above 0, negative loss or coefficients.
PropagationPlan plan_line(const LineParameters& line, const RandomStreams& streams);

}  // namespace cohlink
