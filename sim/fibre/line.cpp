#include "sim/fibre/line.h"

#include <algorithm>
#include <cmath>
#include <limits>
#include <stdexcept>

#include "sim/fibre/pmd.h"

namespace cohlink {
namespace {

void require(bool good, const std::string& complaint) {
  if (!good) throw std::invalid_argument(complaint);
}

void check(const LineParameters& line) {
  require(line.bandwidth > 0.0, "bandwidth of the line must be above 0 Hz");
  require(line.steps.cap_factor > 0.0, "cap factor of the steps must be above 0");
  for (const LineSection& section : line.sections) {
    require(section.span.length > 0.0, "length of a span must be above 0 m");
    require(section.span.loss >= 0.0, "loss of a span must be at least 0");
    require(section.span.gamma >= 0.0, "Kerr coefficient of a span must be at least 0");
    require(section.span.pmd_coefficient >= 0.0, "PMD coefficient of a span must be at least 0");
    require(section.lumped_loss_db >= 0.0 && section.module_loss_db >= 0.0,
            "lumped loss must be at least 0 dB");
  }
}

struct Birefringence {
  std::vector<PmdSection> sections;
  std::vector<double> ends;  // m from the span's start
};

Birefringence draw_birefringence(const Span& span, int count, RandomStream random) {
  Birefringence fibre;
  if (span.pmd_coefficient == 0.0) return fibre;
  double z = 0.0;
  for (const double length : varied_section_lengths(span.length, static_cast<std::size_t>(count), random)) {
    fibre.sections.push_back(random_pmd_section(span.pmd_coefficient, length, random));
    fibre.ends.push_back(z += length);
  }
  return fibre;
}

// Fixed steps, each section put at the step edge nearest to its end.
void append_fixed_span(PropagationPlan& plan, const Span& span, const std::vector<double>& steps,
                       const Birefringence& fibre) {
  std::size_t next = 0;
  double z = 0.0;
  for (std::size_t i = 0; i < steps.size(); ++i) {
    plan.elements.push_back(SplitStep{steps[i], constants(span)});
    z += steps[i];
    const bool last = i + 1 == steps.size();
    const double reach = last ? std::numeric_limits<double>::infinity() : z + steps[i + 1] / 2.0;
    while (next < fibre.sections.size() && fibre.ends[next] <= reach) {
      plan.elements.push_back(fibre.sections[next++]);
    }
  }
}

void append_adaptive_span(PropagationPlan& plan, const Span& span, const StepControl& control, double cap,
                          const Birefringence& fibre) {
  const double longest = std::min(cap, span.length);
  const auto stretch = [&](double length) {
    return AdaptiveStretch{
        length,  constants(span), control.tolerance, std::min(longest, span.length / 100.0),
        longest, control.min_step};
  };
  double z = 0.0;
  for (std::size_t i = 0; i < fibre.sections.size(); ++i) {
    plan.elements.push_back(stretch(fibre.ends[i] - z));
    plan.elements.push_back(fibre.sections[i]);
    z = fibre.ends[i];
  }
  if (fibre.sections.empty()) plan.elements.push_back(stretch(span.length));
}

LumpedGain amplifier_element(const LineSection& section, double carrier, const std::string& stream) {
  const Amplifier& amplifier = section.amplifier;
  const double factor = from_db(amplifier.noise_figure_db);
  LumpedGain gain;
  gain.ase_stream = stream;
  if (amplifier.mode == GainMode::kFixedOutput) {
    require(amplifier.output_power > 0.0, "output power of an amplifier must be above 0 W");
    gain.output_power = amplifier.output_power;
    gain.noise_factor = amplifier.ase ? factor : 0.0;
    gain.carrier = carrier;
    return gain;
  }
  const double lumped = from_db(section.lumped_loss_db + section.module_loss_db);
  gain.power_gain = std::exp(section.span.loss * section.span.length) * lumped;
  gain.ase_psd = amplifier.ase ? ase_psd_per_polarisation(gain.power_gain, factor, carrier) : 0.0;
  return gain;
}

void append_behind_span(PropagationPlan& plan, const LineSection& section, double carrier,
                        const std::string& number, const RandomStreams& streams) {
  const double lumped = from_db(-section.lumped_loss_db - section.module_loss_db);
  if (lumped < 1.0) {
    LumpedGain loss;
    loss.power_gain = lumped;
    plan.elements.push_back(loss);
  }
  if (section.module) plan.elements.push_back(*section.module);
  if (section.amplifier.mode != GainMode::kNone) {
    plan.elements.push_back(amplifier_element(section, carrier, "ase-span-" + number));
  }
  if (section.pdl_db > 0.0) {
    RandomStream random = streams.stream("pdl-span-" + number);
    const JonesMatrix turn = random_unitary(random);
    plan.elements.push_back(LumpedJones{adjoint(turn) * pdl_element(section.pdl_db) * turn});
  }
  for (const OpticalFilter& filter : section.filters) plan.elements.push_back(filter);
}

}  // namespace

FibreConstants constants(const Span& span) {
  return {span.beta2, span.beta3, span.loss, 8.0 / 9.0 * span.gamma};
}

std::vector<double> step_lengths(const Span& span, const StepControl& control, double bandwidth,
                                 double power) {
  return step_lengths(constants(span), span.length, control, bandwidth, power);
}

PropagationPlan plan_line(const LineParameters& line, const RandomStreams& streams) {
  check(line);
  PropagationPlan plan;
  const int spans = static_cast<int>(line.sections.size());
  const int automatic = spans == 0 ? 0 : std::max(10, (100 + spans - 1) / spans);
  const int pmd_sections = line.pmd.sections_per_span > 0 ? line.pmd.sections_per_span : automatic;
  for (std::size_t k = 0; k < line.sections.size(); ++k) {
    const LineSection& section = line.sections[k];
    const Span& span = section.span;
    const std::string number = std::to_string(k + 1);
    RandomStream random = streams.stream("birefringence-span-" + number);
    // The first axis of the first section must be as random as the others.
    if (span.pmd_coefficient > 0.0) plan.elements.push_back(LumpedJones{random_unitary(random)});
    const Birefringence fibre = draw_birefringence(span, pmd_sections, random);
    if (line.steps.law == StepLaw::kLocalError) {
      const double cap = line.steps.cap_factor * dispersive_step_cap(span.beta2, line.bandwidth);
      append_adaptive_span(plan, span, line.steps, cap, fibre);
    } else {
      append_fixed_span(plan, span, step_lengths(span, line.steps, line.bandwidth, line.launch_power), fibre);
    }
    append_behind_span(plan, section, line.carrier, number, streams);
  }
  return plan;
}

}  // namespace cohlink
