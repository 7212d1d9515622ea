// A line of spans, amplifiers and sites, and how it becomes a plan of steps.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "sim/fibre/plan.h"
#include "sim/signal/random.h"
#include "sim/signal/units.h"

namespace cohlink {

/// One fibre, SI.
struct Span {
  double length = 80e3;                        ///< m
  double loss = db_per_km_to_per_m(0.2);       ///< power, 1/m
  double beta2 = dispersion_to_beta2(17.0);    ///< s^2/m
  double beta3 = slope_to_beta3(0.056, 17.0);  ///< s^3/m
  double gamma = 1.3e-3;                       ///< Kerr coefficient, 1/(W m), without the 8/9
  double pmd_coefficient = 0.0;                ///< s/sqrt(m): mean DGD = coefficient sqrt(length)
};

enum class GainMode {
  kNone,         ///< no amplifier
  kSpanLoss,     ///< makes up exactly for the fibre, the lumped loss and the module before it
  kFixedOutput,  ///< sets the total power in the simulated band to output_power
};

/// Lumped amplifier. Noise factor F = 2 n_sp (G-1)/G + 1/G, so ASE per polarisation is (F G - 1)/2 h nu (a
/// passive device of G = 1/F would add none; below that the density is held at 0).
struct Amplifier {
  GainMode mode = GainMode::kSpanLoss;
  double noise_figure_db = 5.0;
  bool ase = true;
  double output_power = 1e-3;  ///< W, both polarisations, all channels
};

/// A span and what stands behind it, in this order: fibre, lumped loss, dispersion module, amplifier, PDL,
/// filter.
struct LineSection {
  Span span;
  double lumped_loss_db = 0.0;             ///< connectors, splices, switches before the amplifier
  std::optional<DispersionModule> module;  ///< dispersion compensation
  double module_loss_db = 0.0;
  Amplifier amplifier;
  double pdl_db = 0.0;                 ///< lumped, with randomly oriented axes
  std::vector<OpticalFilter> filters;  ///< add-drop sites, in cascade
};

enum class StepLaw {
  kConstant,        ///< equal steps
  kLossMatched,     ///< h ~ exp(loss z / 3), with the same number of steps
  kNonlinearPhase,  ///< Kerr phase of the mean power per step at most `max_phase`
  kLocalError,      ///< chosen while running, see AdaptiveStretch
};

/// How to cut fibre into steps. Whatever the law, no step exceeds the dispersive cap
/// h < 2 / (pi |beta2| B^2) beyond which split steps make four-wave mixing of their own (B: total optical
/// bandwidth of the signal).
///
/// Measured on 20 x 80 km of G.652.D, one 32 GBd channel at +2 dBm: with these defaults every law is within
/// 0.005 dB of a converged run in the SNR of nonlinear noise, at 20 (loss-matched), 20 (constant), 39 (phase)
/// and 21 x 3 (local error) steps a span. Loss-matched is the default: it costs least and asks for no power.
/// Wider signals are ruled by the cap: five channels at 50 GHz take 150 steps whatever the law, within 0.01
/// dB.
struct StepControl {
  StepLaw law = StepLaw::kLossMatched;
  int steps_per_span = 20;  ///< knob of kConstant and kLossMatched: steps in one span; error as its square
  double max_phase = 1e-3;  ///< rad, knob of kNonlinearPhase
  double tolerance = 1e-4;  ///< relative local error, knob of kLocalError
  double cap_factor = 1.0;  ///< multiplies the dispersive cap; below 1 is finer
  double min_step = 0.1;    ///< m, the floor of kLocalError
};

/// Birefringence: each span is `sections_per_span` sections, their lengths varied by +-50 % (uniform),
/// uniformly random orientation, section DGD = sqrt(3 pi/8) coefficient sqrt(section length), so that the
/// MEAN DGD is coefficient sqrt(length). 0 chooses enough for at least 100 sections in the line, 10 or more
/// in a span.
struct PmdControl {
  int sections_per_span = 0;
};

struct LineParameters {
  std::vector<LineSection> sections;
  StepControl steps;
  PmdControl pmd;
  double bandwidth = 0.0;  ///< Hz, total optical bandwidth of the signal, > 0: sets the dispersive cap
  double launch_power =
      1e-3;  ///< W into each span, all channels and polarisations; only kNonlinearPhase uses it
  double carrier = kCarrierHz;  ///< Hz, for the photon energy of ASE
};

/// ASE density per polarisation after an amplifier [W/Hz]: (F G - 1)/2 h nu, at least 0.
double ase_psd_per_polarisation(double power_gain, double noise_factor, double carrier);

/// The dispersive cap on the step [m]: 2 / (pi |beta2| B^2); infinite without dispersion.
double dispersive_step_cap(double beta2, double bandwidth);

/// The control that makes half of `control`'s steps, cap included: for a run that checks the numerical error.
/// (The local error goes as the cube of the step, so kLocalError gets an eighth of the tolerance.)
StepControl halved(const StepControl& control);

/// Sample rate [Hz] below which first-order Kerr products alias into the channel read: 1.5 B + f_edge, B the
/// total optical bandwidth of the signal (its products reach +-1.5 B), f_edge the largest |frequency| of that
/// channel.
double kerr_alias_free_rate(double bandwidth, double channel_edge);

/// Step lengths [m] for one span by `control`, `power` [W] at its input; they sum to the span's length.
/// kLocalError has no fixed steps and throws std::invalid_argument.
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
