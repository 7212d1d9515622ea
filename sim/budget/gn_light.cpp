#include "sim/budget/gn_light.h"

#include <cmath>

namespace cohlink {

FormatMoments format_moments(Modulation modulation) {
  const Constellation& c = constellation(modulation);
  return {c.fourth_moment() - 2.0, c.sixth_moment() - 9.0 * c.fourth_moment() + 12.0};
}

GnLight equal_comb(const GnChannel& channel, int channels, double spacing) {
  GnLight light = {channel};
  const int below = (channels - 1) / 2;
  for (int k = -below; k < channels - below; ++k) {
    if (k == 0) continue;
    light.push_back(channel);
    light.back().frequency = k * spacing;
  }
  return light;
}

ChannelDensity::ChannelDensity(const PulseShape& pulse)
    : pulse_(pulse), edge_(pulse_band_edge(pulse)), scale_(1.0) {
  constexpr int kSteps = 2048;  // midpoints of a band at whose ends the spectrum is zero
  const double step = 2.0 * edge_ / kSteps;
  double sum = 0.0;
  for (int i = 0; i < kSteps; ++i) sum += std::pow(pulse_spectrum(pulse, -edge_ + (i + 0.5) * step), 2);
  scale_ = 1.0 / (sum * step);
}

double ChannelDensity::operator()(double frequency) const {
  if (std::abs(frequency) >= edge_) return 0.0;
  const double amplitude = pulse_spectrum(pulse_, frequency);
  return scale_ * amplitude * amplitude;
}

}  // namespace cohlink
