#include "sim/frontend/receiver_electronics.h"

#include <complex>
#include <optional>

#include "sim/electronics/bessel.h"
#include "sim/electronics/lanes.h"
#include "sim/electronics/soft_limit.h"

namespace cohlink {
namespace {

// Both edges of a lane's electrical band.
LaneFilter band_of(const ReceiverElectronicsParameters& p, std::size_t lane,
                   const std::vector<double>& frequencies) {
  LaneFilter filter(frequencies.size(), 1.0);
  if (const auto bandwidth = p.bandwidth_of(lane))
    filter = BesselFilter(p.bandwidth_order, *bandwidth)(frequencies);
  if (p.low_cutoff > 0.0)
    for (std::size_t k = 0; k < filter.size(); ++k) {
      const double f = frequencies[k];
      filter[k] *= std::complex<double>(0.0, f) / std::complex<double>(p.low_cutoff, f);
    }
  return filter;
}

// The bands of a polarisation's lanes; nothing where there is no edge. Lanes that are alike share theirs.
class Bands {
 public:
  Bands(const ReceiverElectronicsParameters& p, std::size_t n, double sample_rate)
      : p_(p), n_(n), sample_rate_(sample_rate) {}

  void filter(ComplexRow<double>& row, std::size_t pol, const FftCache& fft) {
    const auto of_i = p_.bandwidth_of(2 * pol), of_q = p_.bandwidth_of(2 * pol + 1);
    if (!of_i && !of_q && p_.low_cutoff == 0.0) return;
    if (of_i == of_q) return filter_lanes(row, band(2 * pol), fft);
    const LaneFilter i = band(2 * pol);
    filter_lanes(row, i, band(2 * pol + 1), fft);
  }

 private:
  const LaneFilter& band(std::size_t lane) {
    const auto bandwidth = p_.bandwidth_of(lane);
    if (latest_.empty() || bandwidth != latest_bandwidth_)
      latest_ = band_of(p_, lane, bins_from_zero(n_, sample_rate_));
    latest_bandwidth_ = bandwidth;
    return latest_;
  }

  const ReceiverElectronicsParameters& p_;
  std::size_t n_;
  double sample_rate_;
  std::optional<double> latest_bandwidth_;
  LaneFilter latest_;
};

// Of lanes I and Q.
std::array<double, 2> gains_of(const ComplexRow<double>& row, const ReceiverElectronicsParameters& p) {
  if (!p.automatic_gain) return {p.transimpedance, p.transimpedance};
  std::array<double, 2> gains = lane_rms(row);
  for (double& gain : gains) gain = gain > 0.0 ? p.output_rms / gain : p.transimpedance;
  return gains;
}

}  // namespace

ElectricalLanes amplify_currents(Photocurrents currents, const ReceiverElectronicsParameters& p,
                                 const Execution& execution) {
  const FftCache& fft = execution.ffts();
  ElectricalLanes out{std::move(currents), {}};
  const std::array<double, 2> delay = {0.0, p.xy_skew};
  const double rate = out.currents.sample_rate;
  const auto rows = out.currents.rows();
  Bands bands(p, out.currents.size(), rate);
  for (std::size_t pol = 0; pol < 2; ++pol) {
    execution.check();
    ComplexRow<double>& row = *rows[pol];
    bands.filter(row, pol, fft);
    execution.check();
    const auto [gain_i, gain_q] = gains_of(row, p);
    if (p.saturation) soft_limit(row, *p.saturation / gain_i, *p.saturation / gain_q);
    execution.check();
    delay_lanes(row, rate, delay[pol], delay[pol] + p.iq_skew, fft);
    out.transimpedance[2 * pol] = gain_i;
    out.transimpedance[2 * pol + 1] = gain_q;
  }
  return out;
}

}  // namespace cohlink
