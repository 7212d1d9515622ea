#include "rx/blocks/dispersion.h"

#include <algorithm>
#include <cmath>

#include "sim/signal/units.h"

namespace cohlink {
double band_taper(double frequency, double pass, double stop) {
  const double f = std::abs(frequency);
  if (f <= pass) return 1.0;
  if (f >= stop) return 0.0;
  return 0.5 * (1.0 + std::cos(kPi * (f - pass) / (stop - pass)));
}

DispersionEqualiser::DispersionEqualiser(const DispersionParameters& p, FftCache& fft) {
  if (p.ps_per_nm == 0.0) return;
  const double beta2_length = accumulated_to_beta2_length(p.ps_per_nm);
  const double nyquist = 0.5 * p.sample_rate;
  const double pass = std::min(nyquist, p.band_edge + p.offset_margin);
  const double stop = std::min(nyquist, pass + p.taper);
  const auto response = [=](double f) {
    const double w = kTwoPi * f;
    return band_taper(f, pass, stop) * std::polar(1.0, -0.5 * beta2_length * w * w);
  };
  // Group delay beta2 L w at the band's end, and the ringing of the taper.
  const double ringing = 6.0 / std::max(p.taper, 1e-3 * p.sample_rate);
  const double reach = std::abs(beta2_length) * kTwoPi * stop + ringing;
  filter_ = std::make_shared<OverlapSaveFilter>(response, p.sample_rate, p.overlap * reach, fft);
}

Field<float> DispersionEqualiser::operator()(const Field<float>& signal) const {
  return filter_ ? (*filter_)(signal) : signal;
}

}  // namespace cohlink
