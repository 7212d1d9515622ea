#include "sim/frontend/receiver_input.h"

#include <cmath>

#include "sim/optical_amplifier.h"

namespace cohlink {

double receive_light(Field<double>& light, const ReceiverInputParameters& p, const RandomStreams& streams) {
  const double power = mean_power(light);
  const double scale = power > 0.0 ? std::sqrt(p.received_power / power) : 0.0;
  for (auto* row : light.rows()) {
    for (auto& a : *row) a *= scale;
  }
  if (!p.preamplifier) return 0.0;
  const double gain = p.preamplifier->output_power / p.received_power;
  const double noise = amplifier_noise_psd(gain, p.preamplifier->noise_factor);
  amplify(light, gain, noise, streams.stream("preamplifier-ase"));
  return noise / gain;
}

}  // namespace cohlink
