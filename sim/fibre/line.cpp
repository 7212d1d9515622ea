#include "sim/fibre/line.h"

#include <algorithm>
#include <cmath>
#include <limits>
#include <stdexcept>

#include "sim/fibre/pmd.h"
#include "sim/signal/line/line_plan.h"

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
    require(line.walk.flat() || line.walk.sections.size() == line.sections.size(),
            "the walk along a line must have its sections");
    require(section.lumped_loss >= 1.0 && section.module_loss >= 1.0, "lumped loss must be at least 0 dB");
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

// Puts what one fibre does by frequency between the steps, where it does anything: from the middle of one to
// the middle of the next.
class GainByFrequency {
 public:
  GainByFrequency(PropagationPlan& plan, const CombWalk& walk, std::size_t span)
      : plan_(plan), walk_(walk), span_(span) {}
  void advance(double to) {
    if (!walk_.flat()) plan_.elements.emplace_back(walk_.between(span_, at_, to));
    at_ = to;
  }

 private:
  PropagationPlan& plan_;
  const CombWalk& walk_;
  std::size_t span_;
  double at_ = 0.0;
};

// Fixed steps, each section put at the step edge nearest to its end.
void append_fixed_span(PropagationPlan& plan, const Span& span, const std::vector<double>& steps,
                       const Birefringence& fibre, GainByFrequency gain) {
  std::size_t next = 0;
  double z = 0.0;
  for (std::size_t i = 0; i < steps.size(); ++i) {
    gain.advance(z + steps[i] / 2.0);
    plan.elements.push_back(SplitStep{steps[i], constants(span)});
    z += steps[i];
    const bool last = i + 1 == steps.size();
    const double reach = last ? std::numeric_limits<double>::infinity() : z + steps[i + 1] / 2.0;
    while (next < fibre.sections.size() && fibre.ends[next] <= reach) {
      plan.elements.push_back(fibre.sections[next++]);
    }
  }
  gain.advance(span.length);
}

// Stretches from section to section, each cut into `parts` where something hangs on frequency.
void append_adaptive_span(PropagationPlan& plan, const AdaptiveStretch& whole, const Birefringence& fibre,
                          GainByFrequency gain, int parts) {
  double z = 0.0;
  const auto go_to = [&](double end) {
    AdaptiveStretch stretch = whole;
    stretch.length = (end - z) / parts;
    for (int i = 0; i < parts; ++i) {
      gain.advance(z + (i + 0.5) * stretch.length);
      plan.elements.push_back(stretch);
    }
    z = end;
  };
  for (std::size_t i = 0; i < fibre.sections.size(); ++i) {
    go_to(fibre.ends[i]);
    plan.elements.push_back(fibre.sections[i]);
  }
  if (fibre.sections.empty()) go_to(whole.length);
  gain.advance(whole.length);
}

AdaptiveStretch adaptive_stretch(const Span& span, const StepControl& control, double bandwidth) {
  const double cap = control.cap_factor * dispersive_step_cap(span.beta2, bandwidth);
  const double longest = std::min(cap, span.length);
  return {span.length, constants(span), control.tolerance, std::min(longest, span.length / 100.0),
          longest,     control.min_step};
}

// The fibre of span `k`, counted from 0.
void append_fibre(PropagationPlan& plan, const LineParameters& line, std::size_t k,
                  const Birefringence& fibre) {
  constexpr int kParts = 64;  // of a span, where adaptive steps meet gain by frequency
  const Span& span = line.sections[k].span;
  const GainByFrequency gain(plan, line.walk, k);
  if (line.steps.law != StepLaw::kLocalError)
    return append_fixed_span(plan, span, step_lengths(span, line.steps, line.bandwidth, line.launch_power),
                             fibre, gain);
  const int sections = std::max(1, static_cast<int>(fibre.sections.size()));
  append_adaptive_span(plan, adaptive_stretch(span, line.steps, line.bandwidth), fibre, gain,
                       line.walk.flat() ? 1 : std::max(1, kParts / sections));
}

// What stands behind the fibre of span `k`, counted from 0.
void append_behind_span(PropagationPlan& plan, const LineParameters& line, std::size_t k,
                        const RandomStreams& streams) {
  JonesMatrix axes;
  if (line.sections[k].pdl > 1.0) {
    RandomStream random = streams.stream("pdl-span-" + std::to_string(k + 1));
    axes = random_unitary(random);
  }
  append_behind_fibre(plan, line.sections[k], axes,
                      {k + 1, line.carrier, line.walk.flat() ? nullptr : &line.walk.sections[k]});
}

}  // namespace

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
    const Span& span = line.sections[k].span;
    RandomStream random = streams.stream("birefringence-span-" + std::to_string(k + 1));
    // The first axis of the first section must be as random as the others.
    if (span.pmd_coefficient > 0.0) plan.elements.push_back(LumpedJones{random_unitary(random)});
    const Birefringence fibre = draw_birefringence(span, pmd_sections, random);
    append_fibre(plan, line, k, fibre);
    append_behind_span(plan, line, k, streams);
  }
  return plan;
}

}  // namespace cohlink
