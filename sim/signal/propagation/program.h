// A plan rewritten for the fast engine: neighbouring linear work is merged into passes over the spectrum, so
// that what is left between two Kerr rotations is one pass.
#pragma once

#include <cstddef>
#include <variant>
#include <vector>

#include "sim/signal/propagation/cpu/kernels.h"
#include "sim/signal/propagation/plan.h"

namespace cohlink::propagation_detail {

/// diag(exp(-2 pi i k turns), exp(+2 pi i k turns)), then the matrix; k is the signed bin index.
struct SectionWork {
  double turns = 0.0;
  JonesMatrix matrix;
};
using SpectralWork = std::variant<SectionWork, OpticalFilter, SpectralGain>;

/// One pass over the spectrum: forward transform, scalar chirp, other work, inverse transform; the transforms
/// only where asked. The 1/n of the inverse is part of `amplitude`.
struct LinearPass {
  bool forward = false, inverse = false;
  bool chirp = false;
  kernels::PhasePolynomial phase;
  double amplitude = 1.0;
  std::vector<SpectralWork> work;
};

/// Kerr rotation in time.
struct KerrPass {
  double turns_per_watt = 0.0;
};

/// Elements the executor treats by themselves: gain with noise (on a spectrum), adaptive stretch (on a
/// spectrum), turning polarisation (in time).
struct GainPass {
  LumpedGain gain;
};
struct AdaptivePass {
  AdaptiveStretch stretch;
};
struct RotationPass {
  PolarisationRotation rotation;
};

struct TrackPass {
  PolarisationTrack track;
};

using Instruction = std::variant<LinearPass, KerrPass, GainPass, AdaptivePass, RotationPass, TrackPass>;

/// Starts and ends in time. `n` samples at `rate` [Hz].
std::vector<Instruction> compile(const PropagationPlan& plan, std::size_t n, double rate);

/// The linear operator of a stretch of fibre as phase and amplitude of a pass (1/n not included).
LinearPass linear_pass(const FibreConstants& fibre, double length, std::size_t n, double rate);

/// Kerr rotation of a step.
KerrPass kerr_pass(const FibreConstants& fibre, double length);

}  // namespace cohlink::propagation_detail
