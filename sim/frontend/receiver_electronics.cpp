#include "sim/frontend/receiver_electronics.h"

#include "sim/electronics/bessel.h"
#include "sim/electronics/lanes.h"
#include "sim/electronics/soft_limit.h"

namespace cohlink {
namespace {

double gain_of(const ComplexRow<double>& row, bool quadrature, const ReceiverElectronicsParameters& p) {
  if (!p.automatic_gain) return p.transimpedance;
  const double level = rms(lane_of(row, quadrature));
  return level > 0.0 ? p.output_rms / level : p.transimpedance;
}

void saturate(ComplexRow<double>& row, double gain_i, double gain_q, double limit) {
  for (auto& z : row) z = {soft_limit(z.real(), limit / gain_i), soft_limit(z.imag(), limit / gain_q)};
}

}  // namespace

ElectricalLanes amplify_currents(Photocurrents currents, const ReceiverElectronicsParameters& p,
                                 FftCache& fft) {
  ElectricalLanes out{std::move(currents), {}};
  const std::array<double, 2> delay = {0.0, p.xy_skew};
  const double rate = out.currents.sample_rate;
  const auto rows = out.currents.rows();
  for (std::size_t pol = 0; pol < 2; ++pol) {
    ComplexRow<double>& row = *rows[pol];
    if (p.bandwidth) filter_lanes(row, rate, BesselFilter(p.bandwidth_order, *p.bandwidth), fft);
    const double gain_i = gain_of(row, false, p), gain_q = gain_of(row, true, p);
    if (p.saturation) saturate(row, gain_i, gain_q, *p.saturation);
    delay_lanes(row, rate, delay[pol], delay[pol] + p.iq_skew, fft);
    out.transimpedance[2 * pol] = gain_i;
    out.transimpedance[2 * pol + 1] = gain_q;
  }
  return out;
}

}  // namespace cohlink
