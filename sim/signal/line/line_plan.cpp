#include "sim/signal/line/line_plan.h"

#include <stdexcept>

#include "sim/signal/line/light_levels.h"
#include "sim/signal/propagation/jones.h"

namespace cohlink {
namespace {

LumpedGain amplifier_element(const LineSection& section, const SectionPlace& place) {
  const Amplifier& amplifier = section.amplifier;
  LumpedGain gain;
  gain.ase_stream = "ase-span-" + std::to_string(place.number);
  const double pdl_loss = 1.0 / mean_transmission(pdl_element(section.pdl));
  if (amplifier.mode == GainMode::kFixedOutput) {
    if (!(amplifier.output_power > 0.0))
      throw std::invalid_argument("output power of an amplifier must be above 0 W");
    gain.output_power = amplifier.output_power * pdl_loss;
    gain.noise_factor = amplifier.ase ? amplifier.noise_factor : 0.0;
    gain.carrier = place.carrier;
    return gain;
  }
  gain.power_gain = (place.walk ? place.walk->gain : section.total_loss()) * pdl_loss;
  gain.ase_psd =
      amplifier.ase ? ase_psd_per_polarisation(gain.power_gain, amplifier.noise_factor, place.carrier) : 0.0;
  return gain;
}

}  // namespace

void append_behind_fibre(PropagationPlan& plan, const LineSection& section, const JonesMatrix& pdl_axes,
                         const SectionPlace& place) {
  if (const double lost = section.lumped_loss * section.module_loss; lost > 1.0) {
    LumpedGain loss;
    loss.power_gain = 1.0 / lost;
    plan.elements.emplace_back(loss);
  }
  if (section.module) plan.elements.emplace_back(*section.module);
  if (section.amplifier.mode != GainMode::kNone) {
    plan.elements.emplace_back(amplifier_element(section, place));
    if (place.walk && !place.walk->behind.log_gain.empty()) plan.elements.emplace_back(place.walk->behind);
  }
  if (section.pdl > 1.0)
    plan.elements.emplace_back(LumpedJones{adjoint(pdl_axes) * pdl_element(section.pdl) * pdl_axes});
  for (const OpticalFilter& filter : section.filters) plan.elements.emplace_back(filter);
}

PropagationPlan nominal_plan(const Line& line) {
  PropagationPlan plan;
  const CombWalk walk = walk_comb(line);
  for (std::size_t k = 0; k < line.sections.size(); ++k) {
    const Span& span = line.sections[k].span;
    plan.elements.emplace_back(SplitStep{span.length, constants(span)});
    if (!walk.flat()) plan.elements.emplace_back(walk.between(k, 0.0, span.length));
    append_behind_fibre(plan, line.sections[k], JonesMatrix{},
                        {k + 1, line.carrier(), walk.flat() ? nullptr : &walk.sections[k]});
  }
  return plan;
}

std::vector<double> nominal_powers(const Line& line) {
  Line quiet = line;
  for (LineSection& section : quiet.sections) section.amplifier.ase = false;
  const PropagationPlan plan = nominal_plan(quiet);
  LightWalk walk(plan, {line.comb, 0.0, 2.0 * line.comb.edge()});
  std::vector<double> powers;
  for (const PlanElement& element : plan.elements) {
    if (std::holds_alternative<SplitStep>(element)) powers.push_back(walk.levels().signal_power);
    walk.pass(element);
  }
  powers.push_back(walk.levels().signal_power);
  return powers;
}

}  // namespace cohlink
