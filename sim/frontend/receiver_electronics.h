// From photocurrents to the converter: bandwidth, gain control, saturation, and the lanes' skews. In order,
// of a lane's current i(t) with spectrum I(f):
//   I_1(f) = I(f) [i f/(i f + f_c)] B_n(f)         AC coupling (one RC), Bessel path (bessel.h)
//   Z      = V_rms / rms(i_1), or the set value    automatic gain control, or manual [ohm]
//   v      = Z i_1 / (1 + (Z i_1/v_sat)^4)^(1/4)   output stage (soft_limit.h) [V]
//   v(t) -> v(t - delay)                           skews
// E. Saeckinger, Broadband Circuits for Optical Fiber Communication (Wiley 2005), for transimpedance
// amplifier, AC coupling and gain control; the shapes chosen for them are common practice.
#pragma once

#include <array>
#include <optional>

#include "sim/frontend/frontend.h"
#include "sim/signal/execution/execution.h"

namespace cohlink {

struct ReceiverElectronicsParameters {
  std::optional<double> bandwidth;                     // Hz, 3 dB, Bessel; absent = unlimited
  std::array<std::optional<double>, 4> own_bandwidth;  // Hz, of XI XQ YI YQ; absent = `bandwidth`
  int bandwidth_order = 4;
  double low_cutoff = 0.0;  // Hz, 3 dB, first-order high-pass of the AC coupling; 0 = DC-coupled
  bool automatic_gain = true;
  double output_rms = 0.15;          // V, what automatic gain control brings each lane to
  double transimpedance = 1000.0;    // ohm, the gain without automatic control
  std::optional<double> saturation;  // V, the output never exceeds it; absent = linear
  double iq_skew = 0.0;              // s, Q later than I, both polarisations
  double xy_skew = 0.0;              // s, Y later than X

  std::optional<double> bandwidth_of(std::size_t lane) const {
    return own_bandwidth[lane] ? own_bandwidth[lane] : bandwidth;
  }
};

/// Amplified lanes, referred to the input: the currents [A] that a linear amplifier of the lane's
/// transimpedance would need for the same output voltage.
struct ElectricalLanes {
  Field<double> currents;
  std::array<double, 4> transimpedance;  // ohm, XI XQ YI YQ; what the gain control chose
};

/// AC coupling i f/(i f + low_cutoff) and bandwidth, then gain and soft saturation (soft_limit.h) of the
/// voltage, then delays. The gain control looks at a lane's rms over the frame: it is slow against the
/// symbols and fast against fading.
ElectricalLanes amplify_currents(Photocurrents currents, const ReceiverElectronicsParameters& parameters,
                                 const Execution& execution);

}  // namespace cohlink
