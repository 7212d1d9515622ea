// What both engines share: checks of their input and the arithmetic of lumped elements.
#pragma once

#include <span>

#include "sim/signal/propagation/engine.h"

namespace cohlink::propagation_detail {

/// Throws std::invalid_argument for empty or ragged fields, or for planned ASE without a stream per field.
template <class Real>
void check_batch(std::span<Field<Real>> fields, const PropagationPlan& plan,
                 std::span<const RandomStreams> streams);

/// The same of a batch, which must lie in the host's memory.
template <class Real>
void check_batch(const FieldBatch<Real>& batch, const PropagationPlan& plan,
                 std::span<const RandomStreams> streams);

bool has_ase(const LumpedGain& gain);

/// Gain and ASE density of an amplifier that receives `input_power` [W].
struct GainNow {
  double power_gain;
  double ase_psd;
};
GainNow resolve(const LumpedGain& gain, double input_power);

/// Kerr rotation per power at mid-step [rad/W]: kerr times 2 sinh(a h/2)/a.
double kerr_phase(const FibreConstants& fibre, double length);

/// Next length of an adaptive step by the rules of Sinkin et al. (2003), sec. II: `accept` is false for an
/// error above twice the tolerance (do it again at half the length).
struct StepVerdict {
  bool accept;
  double next_step;
};
StepVerdict judge_step(double step, double error, double tolerance);

}  // namespace cohlink::propagation_detail
