#include "sim/optical_path.h"

#include <cmath>

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

void append_channel(PropagationPlan& plan, const ChannelParameters& channel) {
  if (channel.extra_beta2_length != 0.0)
    plan.elements.push_back(DispersionModule{channel.extra_beta2_length, 0.0});
  if (channel.dgd != 0.0) append_dgd(plan, channel.dgd);
  if (channel.pdl_db != 0.0) plan.elements.push_back(LumpedJones{pdl_element(channel.pdl_db)});
  if (channel.rotation != 0.0 || channel.retardance != 0.0) {
    plan.elements.push_back(LumpedJones{rotation_by(channel.rotation, channel.retardance)});
  }
  if (channel.rotation_rate != 0.0) plan.elements.push_back(PolarisationRotation{channel.rotation_rate});
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
  return setup.line.sections.empty() ? PropagationPlan() : plan_line(setup.line, birefringence);
}

PropagationPlan plan_optics(const LinkSetup& setup, const PropagationPlan& line) {
  PropagationPlan plan;
  append_channel(plan, setup.channel);
  if (setup.channel.osnr) {
    const LightLevels levels = light_levels(joined(line, plan), launched_light(setup));
    append_noise_loading(plan, *setup.channel.osnr, levels.signal_power);
  }
  if (setup.channel.filter) plan.elements.push_back(*setup.channel.filter);
  return plan;
}

PropagationPlan joined(PropagationPlan first, const PropagationPlan& then) {
  first.elements.insert(first.elements.end(), then.elements.begin(), then.elements.end());
  return first;
}

PropagationPlan plan_optical_path(const LinkSetup& setup, const RandomStreams& birefringence) {
  const PropagationPlan line = plan_spans(setup, birefringence);
  return joined(line, plan_optics(setup, line));
}

double group_delay(const PropagationPlan& plan, double frequency) {
  const PlanTotals sum = totals(plan);
  const double w = kTwoPi * frequency;
  return -(sum.beta2_length * w - 0.5 * sum.beta3_length * w * w);
}

LaunchedLight launched_light(const LinkSetup& setup, double noise_psd) {
  const TransmitterParameters& transmitter = setup.transmitter;
  LaunchedLight light;
  light.channels.push_back(
      {tuned_frequency(setup), transmitter.launch_power * setup.comb.power_ratio, transmitter.pulse});
  for (const NeighbourChannel& neighbour : setup.comb.neighbours) {
    PulseShape pulse = transmitter.pulse;
    pulse.roll_off = neighbour.roll_off;
    light.channels.push_back({-neighbour.offset, transmitter.launch_power * neighbour.power_ratio, pulse});
  }
  light.noise_psd = noise_psd;
  light.simulated_band = transmitter.pulse.symbol_rate * static_cast<double>(transmitter.samples_per_symbol);
  return light;
}

double peak_fibre_power(const LinkSetup& setup, const PropagationPlan& plan) {
  return light_levels(plan, launched_light(setup)).peak_power;
}

double peak_fibre_power(const Scenario& scenario) {
  const LinkSetup setup = link_setup(scenario);
  return peak_fibre_power(setup, plan_optical_path(setup, RandomStreams(setup.seed)));
}

}  // namespace cohlink
