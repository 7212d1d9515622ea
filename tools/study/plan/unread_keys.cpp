#include "tools/study/plan/unread_keys.h"

#include <algorithm>

#include "rx/blocks/frame_knowledge.h"
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
    {"fec.frames", "fec.decode", "*"},
};

bool is_spoken(const Scenario& scenario, std::string_view key) {
  return scenario.is_given(key) && scenario.written(key) != find_key(key)->default_value;
}

bool is_among(std::string_view key, const std::vector<std::string>& varied) {
  return std::find(varied.begin(), varied.end(), key) != varied.end();
}

bool decides_for(const KeyUse& use, const std::string& value) {
  if (use.values == "*") return !value.empty() && value != "0" && value != "false";
  const auto values = split(use.values, '|');
  return std::find(values.begin(), values.end(), value) != values.end();
}

// Least squares on a frame's known symbols starts the complex equaliser without passes.
bool starts_without_passes(const Scenario& scenario) {
  return scenario.text("dsp.equaliser_form") == "complex" && usable_frame(scenario);
}

}  // namespace

std::span<const KeyUse> key_uses() { return kUses; }

std::vector<std::string> unread_keys(const Scenario& scenario, const std::vector<std::string>& varied) {
  std::vector<std::string> found;
  for (const KeyUse& use : kUses) {
    if (!is_spoken(scenario, use.key) || decides_for(use, scenario.written(use.decider)) ||
        is_among(use.decider, varied))
      continue;
    const std::string needed = use.values == "*" ? std::string(use.decider)
                                                 : std::string(use.decider) + " = " + std::string(use.values);
    found.push_back(std::string(use.key) + " (needs " + needed + ")");
  }
  constexpr std::string_view kPasses = "dsp.equaliser_passes";
  if (is_spoken(scenario, kPasses) && starts_without_passes(scenario) && !is_among("signal.frame", varied) &&
      !is_among("dsp.pilots", varied) && !is_among("dsp.equaliser_form", varied))
    found.push_back(std::string(kPasses) + " (needs signal.frame = none or dsp.pilots = ignored)");
  return found;
}

}  // namespace cohlink
