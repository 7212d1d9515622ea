// What each source of noise takes from the SNR behind the matched filter, by closed forms.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "sim/link_setup.h"
#include "sim/signal/line/light_levels.h"

namespace cohlink {

/// One source of noise: its power over that of the signal, per polarisation, behind the matched filter.
struct NoiseTerm {
  std::string name;     // for programs: "line_ase"
  std::string label;    // for people
  double ratio = 0;     // 1/SNR of this source alone; 0 = none
  std::string formula;  // what it was computed from
};

/// Pre-amplifier, photodiodes, converter and lasers, for the light that arrives and a symbol rate [Hz].
std::vector<NoiseTerm> receiver_terms(const LinkSetup& setup, const LightLevels& arriving,
                                      double symbol_rate);

/// Power of the neighbours that passes the matched filter of the channel, over that of the channel.
double crosstalk_ratio(const LinkSetup& setup);

/// OSNR of what reaches the hybrid, the pre-amplifier's noise in it; absent without noise.
std::optional<double> osnr_at_hybrid(const LinkSetup& setup, const LightLevels& arriving);

}  // namespace cohlink
