#include "sim/signal/scenario/impairment_rows.h"

#include <array>

namespace cohlink {
namespace {

constexpr auto kUp = Growth::kUp;
constexpr auto kDown = Growth::kDown;
constexpr auto kAway = Growth::kAway;
constexpr auto kSwitch = Growth::kSwitch;
constexpr auto kDifference = GrowthScale::kDifference;
constexpr auto kDecibel = GrowthScale::kDecibel;
constexpr auto kBits = GrowthScale::kBits;
constexpr auto kInverse = GrowthScale::kInverse;

// clang-format off
// key, growth, ideal, scale, usual value (common practice). An amplifier's ideal noise figure is the quantum
// limit of 3 dB (Agrawal, Fiber-Optic Communication Systems, ch. 7), a photodiode's responsivity one electron
// a photon, a converter's resolution that of a capture's codes.
constexpr auto kRows = std::to_array<Impairment>({
    {"transmitter.laser_linewidth_khz", kUp, "0", kDifference, 100},
    {"transmitter.laser_flicker_hz2_per_hz", kUp, "0", kDifference, 30000},
    {"transmitter.laser_drift_mhz_per_ms", kAway, "0", kDifference, 100},
    {"transmitter.laser_dither_mhz", kUp, "0", kDifference, 50},
    {"transmitter.laser_rin_db_per_hz", kUp, "", kDecibel, -145},
    {"transmitter.dac_bits", kDown, "", kBits, 8},
    {"transmitter.dac_enob", kDown, "", kBits, 6},
    {"transmitter.dac_sample_rate_gsa", kDown, "", kInverse, 100},
    {"transmitter.dac_bandwidth_ghz", kDown, "", kInverse, 100},
    {"transmitter.driver_saturation_v", kDown, "", kInverse, 4},
    {"transmitter.modulator", kSwitch, "ideal", kDifference, 0},
    {"transmitter.modulator_extinction_db", kDown, "", kDecibel, 25},
    {"transmitter.modulator_outer_extinction_db", kDown, "", kDecibel, 25},
    {"transmitter.modulator_bias_error_i_deg", kAway, "0", kDifference, 2},
    {"transmitter.modulator_bias_error_q_deg", kAway, "0", kDifference, 2},
    {"transmitter.modulator_loss_db", kUp, "0", kDecibel, 10},
    {"transmitter.iq_gain_imbalance_db", kAway, "0", kDifference, 0.5},
    {"transmitter.iq_phase_error_deg", kAway, "0", kDifference, 3},
    {"transmitter.iq_skew_ps", kAway, "0", kDifference, 0.5},
    {"transmitter.xy_power_imbalance_db", kAway, "0", kDifference, 0.5},
    {"transmitter.xy_skew_ps", kAway, "0", kDifference, 2},
    {"transmitter.launch_amplifier_noise_figure_db", kUp, "", kDecibel, 5},
    {"fibre.lumped_loss_db", kUp, "0", kDecibel, 1},
    {"fibre.nonlinear_coefficient_per_w_km", kUp, "0", kDifference, 1.3},
    {"fibre.raman_slope_per_w_km_thz", kUp, "0", kDifference, 0.028},
    {"fibre.pmd_ps_per_sqrt_km", kUp, "0", kDifference, 0.1},
    {"fibre.compensation_loss_db", kUp, "0", kDecibel, 5},
    {"fibre.filter_bandwidth_ghz", kDown, "", kInverse, 100},
    {"amplifier.noise_figure_db", kUp, "3", kDecibel, 5},
    {"amplifier.gain_tilt_db_per_thz", kAway, "0", kDifference, 0.2},
    {"amplifier.pdl_db", kUp, "0", kDifference, 0.2},
    {"channel.osnr_db", kDown, "", kDecibel, 20},
    {"channel.filter_bandwidth_ghz", kDown, "", kInverse, 100},
    {"channel.extra_dispersion_ps_per_nm", kAway, "0", kDifference, 1000},
    {"channel.dgd_ps", kUp, "0", kDifference, 10},
    {"channel.pdl_db", kUp, "0", kDifference, 1},
    {"channel.polarisation_rotation_krad_per_s", kAway, "0", kDifference, 50},
    {"channel.polarisation_wander_krad_per_s", kUp, "0", kDifference, 50},
    {"channel.polarisation_burst_krad_per_s", kUp, "0", kDifference, 300},
    {"laser_lo.linewidth_khz", kUp, "0", kDifference, 100},
    {"laser_lo.frequency_offset_mhz", kAway, "0", kDifference, 1000},
    {"laser_lo.flicker_hz2_per_hz", kUp, "0", kDifference, 30000},
    {"laser_lo.drift_mhz_per_ms", kAway, "0", kDifference, 100},
    {"laser_lo.dither_mhz", kUp, "0", kDifference, 50},
    {"laser_lo.rin_db_per_hz", kUp, "", kDecibel, -145},
    {"frontend.received_power_dbm", kDown, "", kDecibel, -10},
    {"frontend.attenuation_db", kUp, "0", kDecibel, 1},
    {"frontend.preamplifier_noise_figure_db", kUp, "3", kDecibel, 5},
    {"frontend.pbs_extinction_db", kDown, "", kDecibel, 20},
    {"frontend.pbs_angle_deg", kAway, "0", kDifference, 1},
    {"frontend.lo_split_imbalance_db", kAway, "0", kDifference, 0.5},
    {"frontend.lo_loss_db", kUp, "0", kDecibel, 1},
    {"frontend.splitter_imbalance_db", kAway, "0", kDifference, 0.3},
    {"frontend.splitter_imbalance_y_db", kAway, "0", kDifference, 0.3},
    {"frontend.combiner_imbalance_db", kAway, "0", kDifference, 0.3},
    {"frontend.combiner_imbalance_y_db", kAway, "0", kDifference, 0.3},
    {"frontend.coupler_phase_error_deg", kAway, "0", kDifference, 3},
    {"frontend.hybrid_loss_db", kUp, "0", kDecibel, 3},
    {"frontend.hybrid_phase_error_deg", kAway, "0", kDifference, 3},
    {"frontend.hybrid_phase_error_y_deg", kAway, "0", kDifference, 3},
    {"frontend.responsivity_a_per_w", kDown, "1.25", kInverse, 0.9},
    {"frontend.cmrr_db", kDown, "", kDecibel, 20},
    {"frontend.cmrr_y_db", kDown, "", kDecibel, 20},
    {"frontend.pn_skew_ps", kAway, "0", kDifference, 1},
    {"frontend.pn_skew_y_ps", kAway, "0", kDifference, 1},
    {"frontend.dark_current_na", kUp, "0", kDifference, 50},
    {"frontend.thermal_noise_pa_per_sqrt_hz", kUp, "0", kDifference, 20},
    {"frontend.shot_noise", kSwitch, "false", kDifference, 0},
    {"frontend.bandwidth_ghz", kDown, "", kInverse, 40},
    {"frontend.bandwidth_xi_ghz", kDown, "", kInverse, 40},
    {"frontend.bandwidth_xq_ghz", kDown, "", kInverse, 40},
    {"frontend.bandwidth_yi_ghz", kDown, "", kInverse, 40},
    {"frontend.bandwidth_yq_ghz", kDown, "", kInverse, 40},
    {"frontend.low_cutoff_khz", kUp, "0", kDifference, 100},
    {"frontend.output_saturation_mv", kDown, "", kInverse, 400},
    {"frontend.iq_skew_ps", kAway, "0", kDifference, 1},
    {"frontend.xy_skew_ps", kAway, "0", kDifference, 1},
    {"adc.bits", kDown, "16", kBits, 8},
    {"adc.enob", kDown, "", kBits, 6},
    {"adc.clock_offset_ppm", kAway, "0", kDifference, 20},
    {"adc.jitter_fs", kUp, "0", kDifference, 100},
    {"adc.sine_jitter_fs", kUp, "0", kDifference, 100},
    {"adc.skew_xi_ps", kAway, "0", kDifference, 1},
    {"adc.skew_xq_ps", kAway, "0", kDifference, 1},
    {"adc.skew_yi_ps", kAway, "0", kDifference, 1},
    {"adc.skew_yq_ps", kAway, "0", kDifference, 1},
    {"adc.gain_spread_db", kUp, "0", kDifference, 0.5},
    {"adc.offset_spread_percent", kUp, "0", kDifference, 1},
    {"adc.interleave_gain_percent", kUp, "0", kDifference, 0.5},
    {"adc.interleave_offset_percent", kUp, "0", kDifference, 0.5},
    {"adc.interleave_skew_fs", kUp, "0", kDifference, 200},
});
// clang-format on

}  // namespace

std::span<const Impairment> impairment_rows() { return kRows; }

}  // namespace cohlink
