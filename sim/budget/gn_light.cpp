#include "sim/budget/gn_light.h"

#include <cmath>

namespace cohlink {

FormatMoments format_moments(Modulation modulation) {
  const auto& points = constellation(modulation);
  if (points.empty()) return {};  // Gaussian symbols have none
  double second = 0.0, fourth = 0.0, sixth = 0.0;
  for (const auto& point : points) {
    const double power = std::norm(point), share = 1.0 / static_cast<double>(points.size());
    second += share * power;
    fourth += share * power * power;
    sixth += share * power * power * power;
  }
  fourth /= second * second;
  sixth /= second * second * second;
  return {fourth - 2.0, sixth - 9.0 * fourth + 12.0};
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
