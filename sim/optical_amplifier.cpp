#include "sim/optical_amplifier.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <span>

#include "sim/fibre/line.h"
#include "sim/signal/units.h"

namespace cohlink {
namespace {

// Sample t gets complex normals 2 t (X) and 2 t + 1 (Y), as bins do in the line's amplifiers.
void add_noise(Field<double>& light, double rms, const RandomStream& random) {
  constexpr std::size_t kChunk = 256;
  std::array<std::complex<double>, 2 * kChunk> noise;
  for (std::size_t start = 0; start < light.size(); start += kChunk) {
    const std::size_t count = std::min(kChunk, light.size() - start);
    random.fill_noise(2 * start, rms, std::span(noise.data(), 2 * count));
    for (std::size_t k = 0; k < count; ++k) {
      light.x[start + k] += noise[2 * k];
      light.y[start + k] += noise[2 * k + 1];
    }
  }
}

}  // namespace

double amplifier_noise_psd(double gain, std::optional<double> noise_factor, double carrier) {
  if (!noise_factor) return 0.0;
  return ase_psd_per_polarisation(gain, *noise_factor, carrier);
}

void amplify(Field<double>& light, double power_gain, double noise_psd, const RandomStream& random) {
  const double amplitude = std::sqrt(power_gain), noise = std::sqrt(noise_psd * light.sample_rate);
  if (amplitude != 1.0)
    for (auto* row : light.rows())
      for (auto& a : *row) a *= amplitude;
  if (noise > 0.0) add_noise(light, noise, random);
}

}  // namespace cohlink
