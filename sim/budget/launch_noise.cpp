#include "sim/budget/launch_noise.h"

#include "sim/optical_amplifier.h"

namespace cohlink {

double launch_noise_psd(const TransmitterParameters& p) {
  if (!p.launch_noise_factor) return 0.0;
  if (p.modulator.kind == ModulatorKind::kIdeal) {
    const double leaves = p.modulator.laser_power * p.modulator.iq.power_transmission;
    return amplifier_noise_psd(p.launch_power / leaves, p.launch_noise_factor, p.carrier);
  }
  TransmitterParameters part = p;
  part.symbols = 2048;
  part.pattern = Pattern::kRandom;
  part.layout = {};
  part.laser = {};
  FftCache fft(FftPlanning::kEstimate, "");
  return transmit(part, RandomStreams(1), fft).noise_psd;
}

}  // namespace cohlink
