// Driver amplifier between converter and modulator:
//   v = x / (1 + (x / v_sat)^4)^(1/4),  x = gain times the converter's voltage [V],
// Rapp's solid-state amplifier with knee parameter 2 (C. Rapp, Proc. 2nd European Conf. Satellite
// Communications, 179, 1991), memoryless; its bandwidth counts in the converter's path (dac.h).
#pragma once

#include <cmath>
#include <optional>

#include "sim/electronics/soft_limit.h"
#include "sim/signal/field.h"

namespace cohlink {

/// Drive waveforms are carried in units in which a lane's rms is 1/sqrt(2) (unit power in a row of I + iQ);
/// what that is in volts is stated here.
struct DriverParameters {
  double input_rms = 0.1;            // V, rms of a lane out of the converter
  double gain = 10.0;                // voltage gain for small signals, linear, > 0
  std::optional<double> saturation;  // V, the output never exceeds it; absent = linear

  /// Volts at the driver's output for one unit of drive.
  double volt_per_unit() const { return std::sqrt(2.0) * input_rms * gain; }
};

/// Amplifies and softly saturates both lanes of both rows in place (soft_limit.h), in drive units.
inline void amplify_drive(Field<double>& drive, const DriverParameters& p) {
  if (!p.saturation) return;
  const double limit = *p.saturation / p.volt_per_unit();
  for (auto* row : drive.rows()) soft_limit(*row, limit, limit);
}

}  // namespace cohlink
