// Closed-form budget of a link: power and OSNR per span, what each source of noise takes from the SNR, the
// best launch power. No waveform is computed.
#pragma once

#include <optional>
#include <vector>

#include "sim/budget/interference.h"
#include "sim/budget/noise_terms.h"
#include "sim/budget/power_walk.h"

namespace cohlink {

struct LinkBudget {
  double symbol_rate = 0;   // Hz
  double launch_power = 0;  // W
  double peak_power = 0;    // W, the strongest light in a fibre, all channels
  std::vector<SpanLevel> spans;
  std::vector<NoiseTerm> terms;
  Interference interference;
  double interference_error_db = 0;  // of the expected interference against split steps, at most, either way
  double next_order = 1.0;  // factor by which interference exceeds its first order, about; not counted
  std::optional<double> optimum_launch_power;  // W; absent without both ASE of the line and interference
  /// W, of every amplifier: where they have a fixed output, the optimum moves it together with the launch
  /// power, every span at one power of the channel. Absent otherwise.
  std::optional<double> optimum_output_power;
  std::optional<double> osnr;  // linear, into the hybrid
  double snr = 0;              // linear, all terms; infinite without noise
  double snr_gn = 0;           // the same with plain GN (no EGN correction)
};

LinkBudget link_budget(const LinkSetup& setup);
/// The same, interference taken from `memo` where it holds it.
LinkBudget link_budget(const LinkSetup& setup, InterferenceMemo& memo);

}  // namespace cohlink
