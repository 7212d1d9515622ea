#include "sim/budget/power_walk.h"

#include <cmath>
#include <limits>

#include "sim/optical_path.h"
#include "sim/signal/units.h"

namespace cohlink {
namespace {

double fibre_loss(const LineSection& section) {
  return 1.0 / (section.span.total_loss() * section.lumped_loss);
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
  double power = setup.line.comb.tested().power;
  for (std::size_t k = 0; k < setup.line.sections.size(); ++k) {
    const LightLevels after = levels_after(setup, k + 1, launch_psd);
    SpanLevel level;
    level.span = k + 1;
    level.input_power = power;
    level.output_power = power * fibre_loss(setup.line.sections[k]);
    level.osnr = after.osnr();
    power = after.signal_power;
    spans.push_back(level);
  }
  return spans;
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
