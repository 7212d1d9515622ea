#include "sim/frontend/receiver_input.h"

#include <cmath>

#include "sim/optical_amplifier.h"

namespace cohlink {

ReceiverInput receive_light(Field<double>& light, const ReceiverInputParameters& p,
                            const RandomStreams& streams) {
  const double arriving = mean_power(light);
  if (!(arriving > 0.0)) return {};
  ReceiverInput received{p.received(arriving), 0.0};
  const double scale = std::sqrt(received.power / arriving);
  if (scale != 1.0)
    for (auto* row : light.rows())
      for (auto& a : *row) a *= scale;
  if (!p.preamplifier) return received;
  const double gain = p.preamplifier->output_power / received.power;
  const double noise = amplifier_noise_psd(gain, p.preamplifier->noise_factor, p.carrier);
  amplify(light, gain, noise, streams.stream("preamplifier-ase"));
  received.preamplifier_psd = noise / gain;
  return received;
}

}  // namespace cohlink
