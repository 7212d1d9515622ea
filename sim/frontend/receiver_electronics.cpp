#include "sim/frontend/receiver_electronics.h"

#include <complex>

#include "sim/electronics/bessel.h"
#include "sim/electronics/lanes.h"
#include "sim/electronics/soft_limit.h"

namespace cohlink {
namespace {

// Both edges of the electrical band.
LaneResponse response_of(const ReceiverElectronicsParameters& p) {
  std::optional<BesselFilter> low_pass;
  if (p.bandwidth) low_pass.emplace(p.bandwidth_order, *p.bandwidth);
  return [low_pass, corner = p.low_cutoff](double f) {
    std::complex<double> h = low_pass ? (*low_pass)(f) : 1.0;
    if (corner > 0.0) h *= std::complex<double>(0.0, f) / std::complex<double>(corner, f);
    return h;
  };
}

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
                                 const Execution& execution) {
  const FftCache& fft = execution.ffts();
  ElectricalLanes out{std::move(currents), {}};
  const std::array<double, 2> delay = {0.0, p.xy_skew};
  const double rate = out.currents.sample_rate;
  const auto rows = out.currents.rows();
  for (std::size_t pol = 0; pol < 2; ++pol) {
    execution.check();
    ComplexRow<double>& row = *rows[pol];
    if (p.bandwidth || p.low_cutoff > 0.0) filter_lanes(row, rate, response_of(p), fft);
    execution.check();
    const double gain_i = gain_of(row, false, p), gain_q = gain_of(row, true, p);
    if (p.saturation) saturate(row, gain_i, gain_q, *p.saturation);
    execution.check();
    delay_lanes(row, rate, delay[pol], delay[pol] + p.iq_skew, fft);
    out.transimpedance[2 * pol] = gain_i;
    out.transimpedance[2 * pol + 1] = gain_q;
  }
  return out;
}

}  // namespace cohlink
