#include "sim/signal/propagation/plan.h"

#include <algorithm>
#include <cmath>
#include <stdexcept>
#include <utility>

#include "sim/signal/units.h"

namespace cohlink {
namespace {

template <class... Ts>
struct Overloaded : Ts... {
  using Ts::operator()...;
};
template <class... Ts>
Overloaded(Ts...) -> Overloaded<Ts...>;

JonesMatrix section_response(const PmdSection& section, double frequency) {
  const std::complex<double> slow = std::polar(1.0, -kPi * frequency * section.dgd);
  return section.rotation * JonesMatrix{slow, 0.0, 0.0, std::conj(slow)};
}

// Appends an element's inverse.
struct Inverter {
  PropagationPlan& plan;

  void operator()(const SplitStep& e) const {
    const FibreConstants& f = e.fibre;
    plan.elements.push_back(SplitStep{e.length, {-f.beta2, -f.beta3, -f.loss, -f.kerr}});
  }
  void operator()(const PmdSection& e) const {
    plan.elements.push_back(LumpedJones{adjoint(e.rotation)});
    plan.elements.push_back(PmdSection{{}, -e.dgd});
  }
  void operator()(const LumpedGain& e) const {
    if (e.output_power > 0.0 || e.ase_psd > 0.0) refuse("an amplifier's noise or power control");
    LumpedGain undone;
    undone.power_gain = 1.0 / e.power_gain;
    plan.elements.push_back(undone);
  }
  void operator()(const LumpedJones& e) const { plan.elements.push_back(LumpedJones{inverse(e.matrix)}); }
  void operator()(const DispersionModule& e) const {
    plan.elements.push_back(DispersionModule{-e.beta2_length, -e.beta3_length});
  }
  void operator()(const PolarisationRotation& e) const {
    plan.elements.push_back(PolarisationRotation{-e.rate, e.axis, e.start});
  }
  void operator()(PolarisationTrack e) const {
    for (JonesMatrix& turn : e.turns) turn = adjoint(turn);
    plan.elements.emplace_back(std::move(e));
  }
  void operator()(SpectralGain e) const {
    for (double& value : e.log_gain) value = -value;
    plan.elements.emplace_back(std::move(e));
  }
  void operator()(const OpticalFilter&) const { refuse("an optical filter"); }
  void operator()(const AdaptiveStretch&) const { refuse("a stretch of adaptive steps"); }

  [[noreturn]] static void refuse(const char* what) {
    throw std::invalid_argument(std::string("a plan with ") + what + " has no inverse");
  }
};

}  // namespace

PropagationPlan inverse(const PropagationPlan& plan) {
  PropagationPlan undone;
  for (auto element = plan.elements.rbegin(); element != plan.elements.rend(); ++element)
    std::visit(Inverter{undone}, *element);
  return undone;
}

double ase_psd_per_polarisation(double power_gain, double noise_factor, double carrier) {
  return std::max(0.0, (noise_factor * power_gain - 1.0) / 2.0 * kPlanck * carrier);
}

std::complex<double> dispersion_response(double beta2_length, double beta3_length, double frequency) {
  const double w = kTwoPi * frequency;
  return std::polar(1.0, w * w * (beta2_length / 2.0 - beta3_length / 6.0 * w));
}

double filter_sigma(const OpticalFilter& filter) {
  return filter.otf_bandwidth / (2.0 * std::sqrt(2.0 * std::log(2.0)));
}

double filter_response(const OpticalFilter& filter, double frequency) {
  const double d = frequency - filter.centre, scale = 1.0 / (std::sqrt(2.0) * filter_sigma(filter));
  return 0.5 *
         (std::erf((filter.bandwidth / 2.0 - d) * scale) + std::erf((filter.bandwidth / 2.0 + d) * scale));
}

double log_gain(const SpectralGain& gain, double frequency) {
  if (gain.log_gain.empty()) return 0.0;
  const double last = static_cast<double>(gain.log_gain.size() - 1);
  const double place = std::clamp((frequency - gain.first) / gain.spacing, 0.0, last);
  const auto i = static_cast<std::size_t>(std::min(place, last - 1.0));
  return gain.log_gain[i] + (place - static_cast<double>(i)) * (gain.log_gain[i + 1] - gain.log_gain[i]);
}

JonesMatrix turn_at(const PolarisationRotation& rotation, double time) {
  return stokes_rotation(rotation.axis, rotation.rate * (time + rotation.start));
}

JonesMatrix turn_at(const PolarisationTrack& track, double time) {
  const double last = static_cast<double>(track.turns.size() - 1);
  const double place = std::clamp(time / track.spacing, 0.0, last);
  const auto i = static_cast<std::size_t>(place);
  const double beyond = place - static_cast<double>(i);
  if (beyond == 0.0) return track.turns[i];
  // A sum of two matrices [a -b*; b a*] is one of them, too, but for its determinant.
  const JonesMatrix between = (1.0 - beyond) * track.turns[i] + beyond * track.turns[i + 1];
  return (1.0 / std::sqrt(determinant(between).real())) * between;
}

JonesMatrix jones_matrix(const PropagationPlan& plan, double frequency, double time) {
  JonesMatrix j;
  for (const PlanElement& element : plan.elements) {
    std::visit(Overloaded{[&](const PmdSection& e) { j = section_response(e, frequency) * j; },
                          [&](const LumpedJones& e) { j = e.matrix * j; },
                          [&](const PolarisationRotation& e) { j = turn_at(e, time) * j; },
                          [&](const PolarisationTrack& e) { j = turn_at(e, time) * j; }, [](const auto&) {}},
               element);
  }
  return j;
}

std::complex<double> scalar_response(const PropagationPlan& plan, double frequency) {
  const PlanTotals sum = totals(plan);
  std::complex<double> response =
      std::sqrt(sum.power_gain) * dispersion_response(sum.beta2_length, sum.beta3_length, frequency);
  for (const PlanElement& element : plan.elements) {
    if (const auto* filter = std::get_if<OpticalFilter>(&element))
      response *= filter_response(*filter, frequency);
    if (const auto* gain = std::get_if<SpectralGain>(&element))
      response *= std::exp(0.5 * log_gain(*gain, frequency));
  }
  return response;
}

PlanTotals totals(const PropagationPlan& plan) {
  PlanTotals sum;
  const auto add_fibre = [&](double length, const FibreConstants& fibre) {
    sum.fibre_length += length;
    sum.beta2_length += fibre.beta2 * length;
    sum.beta3_length += fibre.beta3 * length;
    sum.power_gain *= std::exp(-fibre.loss * length);
  };
  for (const PlanElement& element : plan.elements) {
    std::visit(Overloaded{[&](const SplitStep& e) {
                            add_fibre(e.length, e.fibre);
                            ++sum.split_steps;
                          },
                          [&](const AdaptiveStretch& e) {
                            add_fibre(e.length, e.fibre);
                            ++sum.adaptive_stretches;
                          },
                          [&](const PmdSection&) { ++sum.pmd_sections; },
                          [&](const LumpedGain& e) {
                            if (e.output_power <= 0.0) sum.power_gain *= e.power_gain;
                          },
                          [&](const DispersionModule& e) {
                            sum.beta2_length += e.beta2_length;
                            sum.beta3_length += e.beta3_length;
                          },
                          [](const auto&) {}},
               element);
  }
  return sum;
}

bool has_steps(const PropagationPlan& plan) {
  return std::any_of(plan.elements.begin(), plan.elements.end(), [](const PlanElement& e) {
    return std::holds_alternative<SplitStep>(e) || std::holds_alternative<AdaptiveStretch>(e);
  });
}

}  // namespace cohlink
