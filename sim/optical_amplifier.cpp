#include "sim/optical_amplifier.h"

#include <cmath>

#include "sim/fibre/line.h"
#include "sim/signal/units.h"

namespace cohlink {

double amplifier_noise_psd(double gain, std::optional<double> noise_factor) {
  if (!noise_factor) return 0.0;
  return ase_psd_per_polarisation(gain, *noise_factor, kCarrierHz);
}

void amplify(Field<double>& light, double power_gain, double noise_psd, const RandomStream& random) {
  const double amplitude = std::sqrt(power_gain), noise = std::sqrt(noise_psd * light.sample_rate);
  std::uint64_t first = 0;
  for (auto* row : light.rows()) {
    for (auto& a : *row) a *= amplitude;
    if (noise > 0.0) random.add_noise(first, noise, std::span(*row));
    first += row->size();
  }
}

}  // namespace cohlink
