#include "sim/budget/interference.h"

#include <algorithm>
#include <cmath>
#include <limits>

#include "sim/budget/egn_cross.h"
#include "sim/budget/egn_self.h"
#include "sim/budget/gn_closed_form.h"
#include "sim/signal/units.h"

namespace cohlink {

InterferenceModel::InterferenceModel(const GnLight& light)
    : light_(light), alone_(GnLight{light.front()}), comb_(light) {}

std::vector<Interference> InterferenceModel::after_each_span(const GnLine& line) {
  const std::vector<GnReadings> alone = alone_.after_each_span(line),
                                comb = light_.size() == 1 ? alone : comb_.after_each_span(line);
  const std::vector<double> self = egn_self_after_each_span(light_, line),
                            cross = egn_cross_after_each_span(light_, line);
  std::vector<Interference> all(line.size());
  for (std::size_t k = 0; k < line.size(); ++k) {
    const GnLine part(line.begin(), line.begin() + static_cast<std::ptrdiff_t>(k + 1));
    Interference& now = all[k];
    now.closed_incoherent = gn_closed_form(part, light_, Accumulation::kIncoherent);
    now.closed_coherent = gn_closed_form(part, light_, Accumulation::kCoherent);
    now.integral_centre = comb[k].centre;
    now.integral_matched = comb[k].matched;
    now.self = alone[k].matched;
    now.self_correction = self[k];
    now.cross_correction = cross[k];
  }
  return all;
}

Interference InterferenceModel::operator()(const GnLine& line) {
  return line.empty() ? Interference{} : after_each_span(line).back();
}

namespace {

/// All that the interference of a line depends on but its Kerr coefficient.
std::vector<double> numbers_of(const GnLight& light, const GnLine& line, double gamma) {
  std::vector<double> numbers;
  for (const GnChannel& c : light)
    numbers.insert(numbers.end(), {c.frequency, c.power, static_cast<double>(c.pulse.pulse), c.pulse.roll_off,
                                   c.pulse.symbol_rate, c.moments.phi, c.moments.psi});
  for (const GnSection& s : line)
    numbers.insert(numbers.end(),
                   {s.length, s.loss, s.beta2, s.gamma / gamma, s.module_beta2_length, s.relative_power});
  return numbers;
}

void scale(Interference& eta, double factor) {
  for (double* value : {&eta.closed_incoherent, &eta.closed_coherent, &eta.integral_centre,
                        &eta.integral_matched, &eta.self, &eta.self_correction, &eta.cross_correction})
    *value *= factor;
}

}  // namespace

std::vector<Interference> InterferenceMemo::after_each_span(const GnLight& light, const GnLine& line) {
  const double gamma = line.empty() ? 0.0 : line.front().gamma;
  if (gamma == 0.0) return InterferenceModel(light).after_each_span(line);
  const auto [known, added] = known_.try_emplace(numbers_of(light, line, gamma));
  if (added) known->second = {gamma, InterferenceModel(light).after_each_span(line)};
  auto [first, all] = known->second;
  for (Interference& eta : all) scale(eta, gamma / first * (gamma / first));
  return all;
}

double interference_error_db(const GnLight& light, const GnLine& line) {
  const PulseShape& pulse = light.front().pulse;
  const auto nearest = [&] {  // neighbour, in symbol rates
    double gap = std::numeric_limits<double>::infinity();
    for (std::size_t i = 1; i < light.size(); ++i) gap = std::min(gap, std::abs(light[i].frequency));
    return gap / pulse.symbol_rate;
  };
  const double least_beta2 = std::abs(dispersion_to_beta2(0.75));
  const bool all_mix =
      light.size() > 1 && std::any_of(line.begin(), line.end(), [&](const GnSection& section) {
        return std::abs(section.beta2) < least_beta2;
      });
  double error = 0.3;
  if (pulse.roll_off > 0.5 && light.front().moments.phi < 0.0) error = 0.5;
  if (all_mix) error = 0.6;
  if (line.size() == 1 && nearest() < 1.2) error = 0.7;
  return error;
}

double next_order_factor(const GnLine& line, double launch_power, double eta) {
  double phase = 0.0;
  for (const Stretch& s : dispersion_map(line))
    phase = std::max(phase, 8.0 / 9.0 * s.strength * s.effective() * launch_power);
  return 1.0 + 0.9 * phase * phase + 0.9 * eta * launch_power * launch_power;
}

}  // namespace cohlink
