#include "sim/budget/power_walk.h"

#include <cmath>
#include <limits>

#include "sim/optical_path.h"
#include "sim/signal/line/wide_band.h"
#include "sim/signal/units.h"

namespace cohlink {
namespace {

/// Of the channel under test, from the start of section `k` to its dispersion module or amplifier.
double fibre_loss(const Line& line, const CombWalk& walk, std::size_t k) {
  const LineSection& section = line.sections[k];
  if (walk.flat()) return 1.0 / (section.span.total_loss() * section.lumped_loss);
  const SectionWalk& on_the_way = walk.sections[k];
  return on_the_way.end[line.comb.under_test] / on_the_way.start[line.comb.under_test] / section.lumped_loss;
}

}  // namespace

LinkSetup coarse(LinkSetup setup) {
  setup.steps.law = StepLaw::kConstant;
  setup.steps.steps_per_span = 1;
  setup.steps.cap_factor = std::numeric_limits<double>::infinity();
  for (auto& section : setup.line.sections) section.span.pmd_coefficient = 0.0;
  return setup;
}

LightLevels levels_of(const LinkSetup& setup, double launch_psd) {
  return light_levels(plan_optical_path(setup, RandomStreams(setup.seed)), launched_light(setup, launch_psd));
}

LightLevels levels_after(const LinkSetup& setup, std::size_t count, double launch_psd) {
  LinkSetup part = setup;
  part.line.sections.resize(count);
  part.line.optics = {};
  return levels_of(part, launch_psd);
}

std::vector<SpanLevel> walk_spans(const LinkSetup& setup, double launch_psd) {
  std::vector<SpanLevel> spans;
  const CombWalk walk = walk_comb(setup.line);
  double power = setup.line.comb.tested().power;
  for (std::size_t k = 0; k < setup.line.sections.size(); ++k) {
    const LightLevels after = levels_after(setup, k + 1, launch_psd);
    SpanLevel level;
    level.span = k + 1;
    level.input_power = power;
    level.output_power = power * fibre_loss(setup.line, walk, k);
    level.osnr = after.osnr();
    power = after.signal_power;
    spans.push_back(level);
  }
  return spans;
}

std::vector<ChannelEnd> walk_channels(const LinkSetup& setup, double launch_psd) {
  const Line& line = setup.line;
  const PropagationPlan plan = plan_spans(coarse(setup), RandomStreams(setup.seed));
  LightWalk light(plan, launched_light(setup, launch_psd));
  for (const PlanElement& element : plan.elements) light.pass(element);
  std::vector<ChannelEnd> ends;
  const std::vector<ChannelLevel> levels = light.channels();
  for (std::size_t k = 0; k < levels.size(); ++k) {
    const Channel& channel = line.comb.channels[k];
    ChannelEnd end{channel.number, line.comb.centre() + channel.offset, channel.power, levels[k].power, {}};
    const double noise = levels[k].noise_psd * end.frequency / line.carrier();
    if (noise > 0.0) end.osnr = end.power / (2.0 * noise * kOsnrBandwidthHz);
    ends.push_back(end);
  }
  return ends;
}

double ase_ratio(const LightLevels& levels, double symbol_rate) {
  return 2.0 * levels.noise_psd * symbol_rate / levels.signal_power;
}

GnLight gn_light(const LinkSetup& setup) {
  const Comb& comb = setup.line.comb;
  const Channel& own = comb.tested();
  GnLight light = {{0.0, 1.0, own.pulse, format_moments(own.modulation)}};
  for (std::size_t k = 0; k < comb.channels.size(); ++k) {
    if (k == comb.under_test) continue;
    const Channel& n = comb.channels[k];
    light.push_back({n.offset - own.offset, n.power / own.power, n.pulse, format_moments(n.modulation)});
  }
  return light;
}

GnLine gn_line(const LinkSetup& setup, const std::vector<SpanLevel>& levels) {
  GnLine line;
  for (std::size_t k = 0; k < setup.line.sections.size(); ++k) {
    const LineSection& section = setup.line.sections[k];
    GnSection span;
    span.length = section.span.length;
    span.loss = section.span.loss;
    span.beta2 = section.span.beta2;
    span.gamma = section.span.gamma;
    span.module_beta2_length = section.module ? section.module->beta2_length : 0.0;
    span.relative_power = levels[k].input_power / levels[0].input_power;
    line.push_back(span);
  }
  return line;
}

}  // namespace cohlink
