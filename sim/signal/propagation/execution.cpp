#include "sim/signal/propagation/execution.h"

#include <cmath>
#include <stdexcept>

namespace cohlink::propagation_detail {

bool has_ase(const LumpedGain& gain) {
  return gain.output_power > 0.0 ? gain.noise_factor > 0.0 : gain.ase_psd > 0.0;
}

namespace {

void check_streams(const PropagationPlan& plan, std::size_t fields, std::size_t streams) {
  bool noisy = false;
  for (const PlanElement& element : plan.elements) {
    const auto* gain = std::get_if<LumpedGain>(&element);
    noisy = noisy || (gain != nullptr && has_ase(*gain));
  }
  if (noisy && streams != fields) throw std::invalid_argument("ASE needs random streams for each field");
}

void check_rate(double sample_rate) {
  if (!(sample_rate > 0.0)) throw std::invalid_argument("the field's sample rate must be above 0 Hz");
}

}  // namespace

template <class Real>
void check_batch(std::span<Field<Real>> fields, const PropagationPlan& plan,
                 std::span<const RandomStreams> streams) {
  check_streams(plan, fields.size(), streams.size());
  for (const Field<Real>& field : fields) {
    if (field.size() == 0) throw std::invalid_argument("the field is empty");
    if (field.x.size() != field.y.size()) throw std::invalid_argument("the field's rows differ in length");
    check_rate(field.sample_rate);
  }
}

template <class Real>
void check_batch(const FieldBatch<Real>& batch, const PropagationPlan& plan,
                 std::span<const RandomStreams> streams) {
  check_streams(plan, batch.frames(), streams.size());
  if (batch.place() != MemoryPlace::kHost) throw std::invalid_argument("the batch lies in a device's memory");
  if (batch.frames() > 0 && batch.samples() == 0) throw std::invalid_argument("the field is empty");
  if (batch.frames() > 0) check_rate(batch.sample_rate());
}

GainNow resolve(const LumpedGain& gain, double input_power) {
  if (gain.output_power <= 0.0) return {gain.power_gain, gain.ase_psd};
  if (!(input_power > 0.0))
    throw std::invalid_argument("an amplifier of fixed output power received no light");
  const double g = gain.output_power / input_power;
  return {g, gain.noise_factor > 0.0 ? ase_psd_per_polarisation(g, gain.noise_factor, gain.carrier) : 0.0};
}

double kerr_phase(const FibreConstants& fibre, double length) {
  const double half = fibre.loss * length / 2.0;
  return fibre.kerr * length * (half != 0.0 ? std::sinh(half) / half : 1.0);
}

StepVerdict judge_step(double step, double error, double tolerance) {
  const double cube_root = std::cbrt(2.0);
  if (error > 2.0 * tolerance) return {false, step / 2.0};
  if (error > tolerance) return {true, step / cube_root};
  if (error < tolerance / 2.0) return {true, step * cube_root};
  return {true, step};
}

template void check_batch<double>(std::span<Field<double>>, const PropagationPlan&,
                                  std::span<const RandomStreams>);
template void check_batch<float>(std::span<Field<float>>, const PropagationPlan&,
                                 std::span<const RandomStreams>);
template void check_batch<double>(const FieldBatch<double>&, const PropagationPlan&,
                                  std::span<const RandomStreams>);
template void check_batch<float>(const FieldBatch<float>&, const PropagationPlan&,
                                 std::span<const RandomStreams>);

}  // namespace cohlink::propagation_detail
