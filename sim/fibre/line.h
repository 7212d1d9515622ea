// A line of spans, amplifiers and sites, and how it becomes a plan of steps.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "sim/signal/propagation/plan.h"
#include "sim/signal/propagation/steps.h"
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

/// Lumped amplifier (H. A. Haus, IEEE Photon. Technol. Lett. 10(11) 1602, 1998). Noise factor F = 2 n_sp
/// (G-1)/G + 1/G, so ASE per polarisation is (F G - 1)/2 h nu (a passive device of G = 1/F would add none;
/// below that the density is held at 0).
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

/// The span's constants in the equation of plan.h.
FibreConstants constants(const Span& span);

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
