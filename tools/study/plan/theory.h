// Closed forms to hold a measured curve against.
#pragma once

#include <optional>
#include <string>

#include "sim/signal/scenario/scenario.h"

namespace cohlink {

class Modulation;

/// SNR = Es/N0 (linear) of ideal reception (matched filter, perfect phase) at the scenario's OSNR:
/// SNR = OSNR - 10 log10(Rs / 12.5 GHz). Nothing when there is no closed form: no channel.osnr_db, or spans
/// that add noise (ASE) or distortion (Kerr) of their own.
std::optional<double> ideal_snr(const Scenario& scenario);

/// BER at that SNR: the exact one of the scenario's modulation, with differential coding where the scenario
/// codes differentially. Nothing, too, for symbols without bits.
std::optional<double> theory_ber(const Scenario& scenario);

/// Whether ideal reception has a value for this output of the receiver: snr_db, evm_percent and those of X or
/// Y alone, q_db, ber_x, ber_y, mi_bits, gmi_bits and ngmi.
bool has_theory(const std::string& output);
/// It. Nothing where there is no ideal_snr, or symbols without bits are asked for theirs.
std::optional<double> theory_of(const Scenario& scenario, const std::string& output);

/// The modulation a scenario names.
Modulation scenario_modulation(const Scenario& scenario);

}  // namespace cohlink
