#include "sim/transmitter/lane_errors.h"

#include <cmath>

#include "sim/electronics/lanes.h"
#include "sim/signal/units.h"

namespace cohlink {

std::array<double, 2> balanced_pair(double iq_gain_db) {
  const double ratio = from_db(iq_gain_db);
  return {std::sqrt(2.0 * ratio / (1.0 + ratio)), std::sqrt(2.0 / (1.0 + ratio))};
}

void apply_lane_errors(Field<double>& drive, const LaneErrorParameters& p, const FftCache& fft) {
  const auto [gain_i, gain_q] = balanced_pair(p.iq_gain_db);
  const std::array<double, 2> delay = {0.0, p.xy_skew};
  const auto rows = drive.rows();
  for (std::size_t pol = 0; pol < 2; ++pol) {
    if (gain_i != 1.0 || gain_q != 1.0)
      for (auto& z : *rows[pol]) z = {gain_i * z.real(), gain_q * z.imag()};
    delay_lanes(*rows[pol], drive.sample_rate, delay[pol], delay[pol] + p.iq_skew, fft);
  }
}

}  // namespace cohlink
