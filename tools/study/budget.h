// Closed-form budget of a link: power and OSNR per span, what each source of noise takes from the SNR, the
// best launch power, and what BER and margin that leaves. No waveform is computed.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "sim/budget/interference.h"
#include "sim/signal/constellation.h"
#include "sim/signal/scenario/scenario.h"
#include "tools/study/files/table.h"

namespace cohlink {

/// After one span and its amplifier.
struct SpanLevel {
  std::size_t span = 0;        // from 1
  double input_power = 0;      // W into the fibre, both polarisations
  double output_power = 0;     // W at its end, before the amplifier
  std::optional<double> osnr;  // linear, after the amplifier; absent without noise
  double interference = 0;     // NLI-to-signal power ratio so far, GN integral with the EGN correction
};

/// One source of noise: its power over that of the signal, per polarisation, behind the matched filter.
struct NoiseTerm {
  std::string name;     // for programs: "line_ase"
  std::string label;    // for people
  double ratio = 0;     // 1/SNR of this source alone; 0 = none
  std::string formula;  // what it was computed from
};

struct Budget {
  Modulation modulation = Modulation::kQpsk;
  double symbol_rate = 0;   // Hz
  double launch_power = 0;  // W
  double peak_power = 0;    // W, the strongest light in a fibre, all channels
  std::vector<SpanLevel> spans;
  std::vector<NoiseTerm> terms;
  Interference interference;
  double next_order = 1.0;  // factor by which interference exceeds its first order, about; not counted
  std::optional<double> optimum_launch_power;  // W; absent without both ASE of the line and interference
  /// W, of every amplifier: where they have a fixed output, the optimum moves it together with the launch
  /// power, every span at one power of the channel. Absent otherwise.
  std::optional<double> optimum_output_power;
  std::optional<double> osnr;  // linear, into the hybrid
  double snr = 0;              // linear, all terms; infinite without noise
  double snr_gn = 0;           // the same with plain GN (no EGN correction)
  std::optional<double> ber, threshold_ber;
  std::optional<double> margin_db;       // SNR over what the threshold needs
  std::vector<std::string> not_counted;  // keys off their defaults that the budget leaves out, and the DSP
};

/// Throws InputError for a scenario that does not fit together.
Budget make_budget(const Scenario& scenario);

/// SNR (linear) at which ideal reception reaches `ber`; with differential coding where asked. NaN for
/// Gaussian symbols.
double required_snr(Modulation modulation, bool differential, double ber);

// As tables for the command line.
Table span_table(const Budget& budget);
Table noise_table(const Budget& budget);
std::vector<Fact> budget_facts(const Budget& budget);

}  // namespace cohlink
