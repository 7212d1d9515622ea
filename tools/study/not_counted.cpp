#include "tools/study/not_counted.h"

#include <algorithm>
#include <array>
#include <string_view>

#include "tools/study/plan/numbers.h"

namespace cohlink {
namespace {

/// Sections that are no part of the bench.
constexpr std::array<std::string_view, 5> kElsewhere = {"run", "dsp", "fec", "cost", "trace"};

/// What the budget counts. Optical filters are not among them: their effect on power and noise is, but not
/// what they take from the signal's edges.
constexpr auto kCounted = std::to_array<std::string_view>({
    "signal.symbol_rate_gbd",
    "signal.modulation",
    "signal.entropy_bits",
    "signal.matcher_block",
    "signal.pulse",
    "signal.roll_off",
    "signal.differential",
    "transmitter.launch_power_dbm",
    "transmitter.laser_rin_db_per_hz",
    "transmitter.laser_rin_bandwidth_ghz",
    "transmitter.laser_power_dbm",
    "transmitter.modulator_loss_db",
    "transmitter.launch_amplifier_noise_figure_db",
    "fibre.type",
    "fibre.spans",
    "fibre.length_km",
    "fibre.final_amplifier",
    "fibre.span_length_km",
    "fibre.span_lengths_km",
    "fibre.span_types",
    "fibre.span_losses_db",
    "fibre.lumped_loss_db",
    "fibre.attenuation_db_per_km",
    "fibre.loss_curve",
    "fibre.raman_slope_per_w_km_thz",
    "fibre.dispersion_ps_per_nm_km",
    "fibre.nonlinear_coefficient_per_w_km",
    "fibre.compensation_ps_per_nm",
    "fibre.compensation_loss_db",
    "amplifier.noise_figure_db",
    "amplifier.ase",
    "amplifier.output_power_dbm",
    "amplifier.raman_gain_db",
    "amplifier.gain_tilt_db_per_thz",
    "amplifier.equalise_every_spans",
    "channel.osnr_db",
    "channel.count",
    "channel.spacing_ghz",
    "channel.under_test",
    "channel.wavelength_nm",
    "channel.grid_centre_thz",
    "channel.power_offsets_db",
    "channel.modulations",
    "channel.roll_offs",
    "laser_lo.power_dbm",
    "laser_lo.rin_db_per_hz",
    "laser_lo.rin_bandwidth_ghz",
    "frontend.received_power_dbm",
    "frontend.attenuation_db",
    "frontend.preamplifier_noise_figure_db",
    "frontend.preamplifier_output_dbm",
    "frontend.lo_loss_db",
    "frontend.hybrid_loss_db",
    "frontend.responsivity_a_per_w",
    "frontend.dark_current_na",
    "frontend.thermal_noise_pa_per_sqrt_hz",
    "frontend.shot_noise",
    "adc.sample_rate_gsa",
    "adc.bits",
    "adc.enob",
    "adc.loading_db",
    "adc.jitter_fs",
});

/// What costs nothing by itself: the data, the arithmetic of the fibre, and the size or shape of something
/// that another key switches on, which is then listed or counted.
constexpr auto kHarmless = std::to_array<std::string_view>({
    "signal.symbols",
    "signal.pattern",
    "signal.pattern_file",
    "signal.pilot_spacing",
    "signal.frame",
    "signal.preamble_symbols",  // of frame
    "signal.preamble_spacing",  //
    "fibre.loss_file",          // of loss_curve
    "fibre.step_law",
    "fibre.steps_per_span",
    "fibre.max_phase_rad",
    "fibre.local_error",
    "fibre.birefringence",                // of pmd_ps_per_sqrt_km
    "fibre.filter_edge_ghz",              // of filter_bandwidth_ghz
    "fibre.filter_every_spans",           //
    "channel.filter_edge_ghz",            //
    "channel.polarisation_burst_us",      // of polarisation_burst_krad_per_s
    "transmitter.laser_dither_rate_khz",  // of laser_dither_mhz
    "transmitter.dac_enob",               // of dac_bits
    "transmitter.dac_loading_db",         //
    "transmitter.dac_bandwidth_order",    // of dac_bandwidth_ghz
    "transmitter.preemphasis_db",         // against dac_bandwidth_ghz and dac_sample_rate_gsa
    "transmitter.dac_output_rms_v",       // of driver_saturation_v and modulator = iq
    "transmitter.driver_gain_db",         //
    "transmitter.modulator_v_pi_v",       // of modulator = iq
    "transmitter.bias_control",           // against modulator_extinction_db
    "transmitter.predistortion",          // against modulator = iq
    "laser_lo.dither_rate_khz",           // of dither_mhz
    "frontend.least_input_dbm",           // caution only
    "frontend.most_input_dbm",            //
    "frontend.bandwidth_order",           // of bandwidth_ghz
    "frontend.output_rms_mv",             // of output_saturation_mv
    "frontend.transimpedance_ohm",        // of gain_control = manual
    "adc.full_scale_mv",                  //
    "adc.sine_jitter_rate_mhz",           // of sine_jitter_fs
    "adc.interleave",                     // of interleave_..._percent and interleave_skew_fs
});

template <std::size_t N>
bool names(const std::array<std::string_view, N>& list, std::string_view name) {
  return std::find(list.begin(), list.end(), name) != list.end();
}

/// Whether a key is off its default; numbers are compared as such.
bool off_default(const Scenario& scenario, const ScenarioKey& key) {
  const std::string &written = scenario.written(key.full_name()), standard(key.default_value);
  const auto a = parse_number(written), b = parse_number(standard);
  return a && b ? *a != *b : written != standard;
}

/// The budget knows no slope: none is what it counts.
bool is_no_slope(const Scenario& scenario, const std::string& name) {
  return name == "fibre.dispersion_slope_ps_per_nm2_km" && parse_number(scenario.written(name)) == 0.0;
}

}  // namespace

bool counted_by_budget(std::string_view key) { return names(kCounted, key); }

bool harmless_by_itself(std::string_view key) { return names(kHarmless, key); }

std::vector<std::string> keys_not_counted(const Scenario& scenario) {
  std::vector<std::string> keys;
  for (const ScenarioKey& key : scenario_keys()) {
    const std::string name = key.full_name();
    if (names(kElsewhere, key.section) || names(kCounted, name) || names(kHarmless, name)) continue;
    if (off_default(scenario, key) && !is_no_slope(scenario, name)) keys.push_back(name);
  }
  return keys;
}

}  // namespace cohlink
