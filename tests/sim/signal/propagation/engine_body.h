// The body that judges every engine: fields, a plan with everything a plan can hold, and the distance to what
// the reference engine does.
#pragma once

#include <cmath>

#include "sim/fibre/line.h"
#include "sim/signal/field_difference.h"
#include "sim/signal/propagation/engine.h"
#include "sim/signal/units.h"
#include "tests/ffts.h"

namespace cohlink::test {

// Band-limited noise of 0 dBm in a band of 64 GHz out of 256 GHz.
inline Field<double> test_field(std::size_t n, std::uint64_t seed) {
  Field<double> field(n, 256e9);
  RandomStream random = RandomStreams(seed).stream("test-field");
  for (auto* row : field.rows()) {
    for (std::size_t k = 0; k < n; ++k) {
      const std::complex<double> z = random.complex_normal();
      (*row)[k] = std::abs(bin_frequency(k, n, 256e9)) < 32e9 ? z : 0.0;
    }
    ffts().get<double>(n).inverse(*row);
  }
  const double scale = std::sqrt(1e-3 / mean_power(field));
  for (auto* row : field.rows()) {
    for (auto& a : *row) a *= scale;
  }
  return field;
}

inline LineParameters test_line(StepLaw law) {
  LineParameters line;
  line.bandwidth = 64e9;
  line.steps.law = law;
  line.steps.steps_per_span = 12;
  line.steps.max_phase = 5e-3;
  line.steps.tolerance = 1e-3;
  LineSection section;
  section.span.pmd_coefficient = 0.1e-12 / std::sqrt(1e3);
  section.pdl = from_db(0.5);
  line.sections.assign(2, section);
  line.sections[0].filters = {{1e9, 75e9, 10e9}};
  line.sections[0].lumped_loss = from_db(1.5);
  line.sections[1].module = DispersionModule{1.0e-21, 1e-34};
  line.sections[1].amplifier.mode = GainMode::kFixedOutput;
  line.sections[1].amplifier.output_power = 2e-3;
  line.pmd.sections_per_span = 8;
  return line;
}

// Everything a plan can hold.
inline PropagationPlan full_plan(StepLaw law) {
  PropagationPlan plan;
  plan.elements.push_back(PolarisationRotation{1e9, {0.6, 0.0, 0.8}, 1e-9});
  for (const PlanElement& element : plan_line(test_line(law), RandomStreams(5)).elements)
    plan.elements.push_back(element);
  plan.elements.emplace_back(SpectralGain{-35e9, 23e9, {-0.3, 0.2, 0.4, -0.1}});
  plan.elements.push_back(PolarisationRotation{2e9, {0.0, 1.0, 0.0}, 0.0});
  return plan;
}

template <class A, class B>
double relative_error(const Field<A>& a, const Field<B>& b) {
  return std::sqrt(difference_power(a, b));
}

/// Of `engine(field, plan, streams)` in its precision.
template <class Real, class Engine>
double error_against_reference(std::size_t n, const PropagationPlan& plan, const Engine& engine) {
  const RandomStreams streams(7);
  Field<double> exact = test_field(n, 1);
  Field<Real> field = convert_field<Real>(exact);
  ReferenceEngine{ffts()}(exact, plan, streams);
  engine(field, plan, streams);
  return relative_error(field, exact);
}

}  // namespace cohlink::test
