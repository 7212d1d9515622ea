#include "sim/frontend/receiver_input.h"

#include <cmath>

#include "sim/optical_amplifier.h"

namespace cohlink {

InputGain input_gain(double arriving, const ReceiverInputParameters& p) {
  if (!(arriving > 0.0)) return {};
  InputGain out;
  out.input.power = p.received(arriving);
  out.scale = std::sqrt(out.input.power / arriving);
  if (!p.preamplifier) return out;
  out.preamplifier = p.preamplifier->output_power / out.input.power;
  out.noise_psd = amplifier_noise_psd(out.preamplifier, p.preamplifier->noise_factor, p.carrier);
  out.input.preamplifier_psd = out.noise_psd / out.preamplifier;
  return out;
}

ReceiverInput receive_light(Field<double>& light, const ReceiverInputParameters& p,
                            const RandomStreams& streams) {
  const InputGain gain = input_gain(mean_power(light), p);
  if (gain.scale != 1.0)
    for (auto* row : light.rows())
      for (auto& a : *row) a *= gain.scale;
  amplify(light, gain.preamplifier, gain.noise_psd, streams.stream("preamplifier-ase"));
  return gain.input;
}

}  // namespace cohlink
