#include "sim/optical_path.h"

#include <cmath>

#include "sim/fibre/line.h"
#include "sim/fibre/polarisation_track.h"
#include "sim/signal/line/line_plan.h"
#include "sim/signal/units.h"

namespace cohlink {
namespace {

JonesMatrix rotation_by(double angle, double retardance) {
  const double c = std::cos(angle), s = std::sin(angle);
  return {c, -s * std::polar(1.0, -retardance), s * std::polar(1.0, retardance), c};
}

// First-order DGD with its axes at 45 degrees to X and Y, where it mixes them most.
void append_dgd(PropagationPlan& plan, double dgd) {
  plan.elements.push_back(LumpedJones{rotation_by(-kPi / 4.0, 0.0)});
  plan.elements.push_back(PmdSection{rotation_by(kPi / 4.0, 0.0), dgd});
}

void append_optics(PropagationPlan& plan, const PathOptics& optics) {
  if (optics.extra_beta2_length != 0.0)
    plan.elements.push_back(DispersionModule{optics.extra_beta2_length, 0.0});
  if (optics.dgd != 0.0) append_dgd(plan, optics.dgd);
  if (optics.pdl != 1.0) plan.elements.push_back(LumpedJones{pdl_element(optics.pdl)});
  if (optics.rotation != 0.0 || optics.retardance != 0.0) {
    plan.elements.push_back(LumpedJones{rotation_by(optics.rotation, optics.retardance)});
  }
}

void append_turning(PropagationPlan& plan, const PathOptics& optics, double duration,
                    const RandomStreams& streams) {
  if (optics.rotation_rate != 0.0) plan.elements.push_back(PolarisationRotation{optics.rotation_rate});
  if (optics.wander_rate != 0.0)
    plan.elements.push_back(
        polarisation_walk(optics.wander_rate, duration, streams.stream("polarisation-wander")));
  if (optics.burst) plan.elements.push_back(polarisation_track(*optics.burst, duration));
}

// Noise loading to an OSNR counts its own noise only: what the line added stays on top of it.
void append_noise_loading(PropagationPlan& plan, double osnr, double signal_power) {
  LumpedGain noise;
  noise.ase_psd = signal_power / osnr / (2.0 * kOsnrBandwidthHz);
  noise.ase_stream = "noise-loading";
  plan.elements.push_back(noise);
}

}  // namespace

PropagationPlan plan_spans(const LinkSetup& setup, const RandomStreams& birefringence) {
  if (setup.line.sections.empty()) return {};
  LineParameters line;
  line.sections = setup.line.sections;
  line.steps = setup.steps;
  line.bandwidth = 2.0 * setup.line.comb.edge();
  line.launch_power = setup.line.comb.power();
  line.carrier = setup.line.carrier();
  line.walk = walk_comb(setup.line);
  return plan_line(line, birefringence);
}

PropagationPlan plan_optics(const LinkSetup& setup, const PropagationPlan& line,
                            const RandomStreams& streams) {
  PropagationPlan plan;
  const PathOptics& optics = setup.line.optics;
  append_optics(plan, optics);
  append_turning(plan, optics,
                 static_cast<double>(setup.transmitter.symbols) / setup.transmitter.pulse.symbol_rate,
                 streams);
  if (optics.osnr) {
    const LightLevels levels = light_levels(joined(line, plan), launched_light(setup));
    append_noise_loading(plan, *optics.osnr, levels.signal_power);
  }
  if (optics.filter) plan.elements.push_back(*optics.filter);
  return plan;
}

PropagationPlan joined(PropagationPlan first, const PropagationPlan& then) {
  first.elements.insert(first.elements.end(), then.elements.begin(), then.elements.end());
  return first;
}

PropagationPlan plan_optical_path(const LinkSetup& setup, const RandomStreams& streams) {
  const PropagationPlan line = plan_spans(setup, streams);
  return joined(line, plan_optics(setup, line, streams));
}

double group_delay(const PropagationPlan& plan, double frequency) {
  const PlanTotals sum = totals(plan);
  const double w = kTwoPi * frequency;
  return -(sum.beta2_length * w - 0.5 * sum.beta3_length * w * w);
}

LaunchedLight launched_light(const LinkSetup& setup, double noise_psd) {
  return {setup.line.comb, noise_psd,
          setup.transmitter.pulse.symbol_rate * static_cast<double>(setup.transmitter.samples_per_symbol)};
}

double peak_fibre_power(const LinkSetup& setup, const PropagationPlan& plan) {
  return light_levels(plan, launched_light(setup)).peak_power;
}

LightLevels arriving_light(const LinkSetup& setup) {
  const PropagationPlan line = nominal_plan(setup.line);
  return light_levels(joined(line, plan_optics(setup, line, RandomStreams(setup.seed))),
                      launched_light(setup));
}

double received_power(const Scenario& scenario) {
  const LinkSetup setup = link_setup(scenario);
  return setup.receiver_input.received(arriving_light(setup).total_power);
}

double peak_fibre_power(const Scenario& scenario) {
  const LinkSetup setup = link_setup(scenario);
  return peak_fibre_power(setup, plan_optical_path(setup, RandomStreams(setup.seed)));
}

}  // namespace cohlink
