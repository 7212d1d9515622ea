#include "sim/frontend/receiver_electronics.h"

#include <complex>

#include "sim/electronics/bessel.h"
#include "sim/electronics/lanes.h"
#include "sim/electronics/soft_limit.h"

namespace cohlink {
namespace {

// Both edges of a lane's electrical band.
LaneResponse response_of(const ReceiverElectronicsParameters& p, std::size_t lane) {
  std::optional<BesselFilter> low_pass;
  if (const auto bandwidth = p.bandwidth_of(lane)) low_pass.emplace(p.bandwidth_order, *bandwidth);
  return [low_pass, corner = p.low_cutoff](double f) {
    std::complex<double> h = low_pass ? (*low_pass)(f) : 1.0;
    if (corner > 0.0) h *= std::complex<double>(0.0, f) / std::complex<double>(corner, f);
    return h;
  };
}

void filter_band(ComplexRow<double>& row, double sample_rate, std::size_t pol,
                 const ReceiverElectronicsParameters& p, const FftCache& fft) {
  const auto of_i = p.bandwidth_of(2 * pol), of_q = p.bandwidth_of(2 * pol + 1);
  if (of_i != of_q)
    filter_lanes(row, sample_rate, response_of(p, 2 * pol), response_of(p, 2 * pol + 1), fft);
  else if (of_i || p.low_cutoff > 0.0)
    filter_lanes(row, sample_rate, response_of(p, 2 * pol), fft);
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
    filter_band(row, rate, pol, p, fft);
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
