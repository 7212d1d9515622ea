// Closed forms to hold a measured curve against.
#pragma once

#include <optional>
#include <string>

#include "sim/signal/scenario/scenario.h"

namespace cohlink {

class Modulation;

/// BER of ideal reception (matched filter, perfect phase) at the scenario's OSNR, from
/// SNR = OSNR - 10 log10(Rs / 12.5 GHz) and the exact BER of its modulation, with differential coding where
/// the scenario codes differentially. Nothing when there is no closed form: no channel.osnr_db, symbols
/// without bits, or spans that add noise (ASE) or distortion (Kerr) of their own.
std::optional<double> theory_ber(const Scenario& scenario);

/// The modulation a scenario names.
Modulation scenario_modulation(const Scenario& scenario);

}  // namespace cohlink
