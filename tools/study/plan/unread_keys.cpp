#include "tools/study/plan/unread_keys.h"

#include <algorithm>

#include "sim/signal/scenario/strings.h"

namespace cohlink {
namespace {

constexpr KeyUse kUses[] = {
    {"signal.roll_off", "signal.pulse", "rrc"},
    {"transmitter.laser_dither_rate_khz", "transmitter.laser_dither_mhz", "*"},
    {"transmitter.laser_rin_bandwidth_ghz", "transmitter.laser_rin_db_per_hz", "*"},
    {"transmitter.dac_loading_db", "transmitter.dac_bits", "*"},
    {"transmitter.dac_bandwidth_order", "transmitter.dac_bandwidth_ghz", "*"},
    {"transmitter.laser_power_dbm", "transmitter.launch_amplifier_noise_figure_db", "*"},
    {"fibre.steps_per_span", "fibre.step_law", "constant|loss-matched"},
    {"fibre.max_phase_rad", "fibre.step_law", "nonlinear-phase"},
    {"fibre.local_error", "fibre.step_law", "local-error"},
    {"fibre.filter_edge_ghz", "fibre.filter_bandwidth_ghz", "*"},
    {"fibre.filter_every_spans", "fibre.filter_bandwidth_ghz", "*"},
    {"amplifier.noise_figure_db", "amplifier.ase", "*"},
    {"channel.filter_edge_ghz", "channel.filter_bandwidth_ghz", "*"},
    {"laser_lo.dither_rate_khz", "laser_lo.dither_mhz", "*"},
    {"laser_lo.rin_bandwidth_ghz", "laser_lo.rin_db_per_hz", "*"},
    {"frontend.preamplifier_output_dbm", "frontend.preamplifier_noise_figure_db", "*"},
    {"frontend.bandwidth_order", "frontend.bandwidth_ghz", "*"},
    {"frontend.output_rms_mv", "frontend.gain_control", "automatic"},
    {"frontend.transimpedance_ohm", "frontend.gain_control", "manual"},
    {"adc.loading_db", "frontend.gain_control", "automatic"},
    {"adc.full_scale_mv", "frontend.gain_control", "manual"},
    {"adc.sine_jitter_rate_mhz", "adc.sine_jitter_fs", "*"},
    {"dsp.test_phases", "dsp.phase_recovery", "bps"},
    {"dsp.phase_window", "dsp.phase_recovery", "bps|fourth-power"},
    {"dsp.phase_second_window", "dsp.phase_second_stage", "ml"},
};

bool decides_for(const KeyUse& use, const std::string& value) {
  if (use.values == "*") return !value.empty() && value != "0" && value != "false";
  const auto values = split(use.values, '|');
  return std::find(values.begin(), values.end(), value) != values.end();
}

}  // namespace

std::span<const KeyUse> key_uses() { return kUses; }

std::vector<std::string> unread_keys(const Scenario& scenario, const std::vector<std::string>& varied) {
  std::vector<std::string> found;
  for (const KeyUse& use : kUses) {
    const bool spoken =
        scenario.is_given(use.key) && scenario.written(use.key) != find_key(use.key)->default_value;
    if (!spoken || decides_for(use, scenario.written(use.decider)) ||
        std::find(varied.begin(), varied.end(), use.decider) != varied.end())
      continue;
    const std::string needed = use.values == "*" ? std::string(use.decider)
                                                 : std::string(use.decider) + " = " + std::string(use.values);
    found.push_back(std::string(use.key) + " (needs " + needed + ")");
  }
  return found;
}

}  // namespace cohlink
