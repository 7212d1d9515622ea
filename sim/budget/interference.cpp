#include "sim/budget/interference.h"

#include <algorithm>
#include <cmath>

#include "sim/budget/egn_cross.h"
#include "sim/budget/egn_self.h"
#include "sim/budget/gn_closed_form.h"

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

double next_order_factor(const GnLine& line, double launch_power, double eta) {
  double phase = 0.0;
  for (const Stretch& s : dispersion_map(line))
    phase = std::max(phase, 8.0 / 9.0 * s.strength * s.effective() * launch_power);
  return 1.0 + 0.9 * phase * phase + 0.9 * eta * launch_power * launch_power;
}

}  // namespace cohlink
