#include "sim/link_setup_hardware.h"

#include <algorithm>
#include <cmath>

#include "sim/signal/record/capture.h"
#include "sim/signal/units.h"

namespace cohlink {
namespace {

// A key in units of `unit`, or nothing.
std::optional<double> scaled(const Scenario& s, const char* key, double unit) {
  const auto value = s.optional_number(key);
  return value ? std::optional(*value * unit) : std::nullopt;
}

// An extinction in dB as a field ratio; absent = 0.
double amplitude_ratio(const Scenario& s, const char* key) {
  const auto db = s.optional_number(key);
  return db ? amplitude_from_db(-*db) : 0.0;
}

double photodiode_mismatch(const Scenario& s, const char* key) {
  const auto cmrr_db = s.optional_number(key);
  return cmrr_db ? mismatch_of_cmrr(*cmrr_db) : 0.0;
}

std::optional<double> linear(const Scenario& s, const char* key) {
  const auto db = s.optional_number(key);
  return db ? std::optional(from_db(*db)) : std::nullopt;
}

// Keys of a laser: [transmitter] prefixes them, [laser_lo] does not.
LaserParameters laser_setup(const Scenario& s, const std::string& prefix) {
  LaserParameters p;
  p.linewidth = s.number(prefix + "linewidth_khz") * 1e3;
  p.flicker = s.number(prefix + "flicker_hz2_per_hz");
  p.drift = s.number(prefix + "drift_mhz_per_ms") * 1e9;
  p.dither = s.number(prefix + "dither_mhz") * 1e6;
  p.dither_rate = s.number(prefix + "dither_rate_khz") * 1e3;
  p.rin = linear(s, (prefix + "rin_db_per_hz").c_str());
  p.rin_bandwidth = scaled(s, (prefix + "rin_bandwidth_ghz").c_str(), 1e9);
  return p;
}

// Bits and effective bits, the latter never more than the former.
QuantiserParameters quantiser_setup(const Scenario& s, const std::string& bits, const std::string& enob) {
  QuantiserParameters p;
  p.bits = static_cast<int>(s.integer(bits));
  p.enob = s.optional_number(enob);
  if (p.enob && *p.enob > p.bits) s.reject(enob, "exceeds " + bits + " = " + std::to_string(p.bits));
  return p;
}

DacParameters dac_setup(const Scenario& s) {
  DacParameters p;
  if (s.is_set("transmitter.dac_bits")) {
    p.quantiser = quantiser_setup(s, "transmitter.dac_bits", "transmitter.dac_enob");
  } else if (s.is_set("transmitter.dac_enob")) {
    s.reject("transmitter.dac_enob", "needs transmitter.dac_bits");
  }
  p.loading = amplitude_from_db(s.number("transmitter.dac_loading_db"));
  p.sample_rate = scaled(s, "transmitter.dac_sample_rate_gsa", 1e9);
  p.bandwidth = scaled(s, "transmitter.dac_bandwidth_ghz", 1e9);
  p.bandwidth_order = static_cast<int>(s.integer("transmitter.dac_bandwidth_order"));
  p.preemphasis_db = s.number("transmitter.preemphasis_db");
  return p;
}

// The interferometers' own flaws say nothing about a linear modulator.
void reject_interferometer_keys(const Scenario& s) {
  const auto refuse = [&](const std::string& key) {
    s.reject(key, "is used only with transmitter.modulator = iq");
  };
  for (const std::string key :
       {"transmitter.modulator_extinction_db", "transmitter.modulator_outer_extinction_db"})
    if (s.is_set(key)) refuse(key);
  for (const std::string key :
       {"transmitter.modulator_bias_error_i_deg", "transmitter.modulator_bias_error_q_deg"})
    if (s.number(key) != 0.0) refuse(key);
  for (const std::string key : {"transmitter.predistortion", "transmitter.bias_control"})
    if (s.text(key) != "off") refuse(key);
}

ModulatorParameters modulator_setup(const Scenario& s) {
  ModulatorParameters p;
  p.kind = chosen<ModulatorKind>(s, "transmitter.modulator",
                                 {{"ideal", ModulatorKind::kIdeal}, {"iq", ModulatorKind::kIq}});
  if (p.kind == ModulatorKind::kIdeal) reject_interferometer_keys(s);
  p.laser_power = dbm_to_watt(s.number("transmitter.laser_power_dbm"));
  p.xy_power_ratio = from_db(s.number("transmitter.xy_power_imbalance_db"));
  p.predistortion = s.text("transmitter.predistortion") == "arcsine";
  p.bias_control = s.text("transmitter.bias_control") == "automatic";
  p.iq.v_pi = s.number("transmitter.modulator_v_pi_v");
  p.iq.inner_arm_error = amplitude_ratio(s, "transmitter.modulator_extinction_db");
  p.iq.outer_arm_error = amplitude_ratio(s, "transmitter.modulator_outer_extinction_db");
  p.iq.bias_error_i = radians(s.number("transmitter.modulator_bias_error_i_deg"));
  p.iq.bias_error_q = radians(s.number("transmitter.modulator_bias_error_q_deg"));
  p.iq.phase_error = radians(s.number("transmitter.iq_phase_error_deg"));
  p.iq.power_transmission = from_db(-s.number("transmitter.modulator_loss_db"));
  return p;
}

ReceiverInputParameters receiver_input_setup(const Scenario& s) {
  ReceiverInputParameters p;
  p.loss = from_db(s.number("frontend.attenuation_db"));
  if (const auto dbm = s.optional_number("frontend.received_power_dbm")) {
    if (p.loss > 1.0)
      s.reject("frontend.attenuation_db",
               "and frontend.received_power_dbm cannot both be given: the one is an "
               "attenuator's loss, the other what it is set to leave");
    p.received_power = dbm_to_watt(*dbm);
  }
  if (const auto factor = linear(s, "frontend.preamplifier_noise_figure_db"))
    p.preamplifier = {*factor, dbm_to_watt(s.number("frontend.preamplifier_output_dbm"))};
  return p;
}

// Hybrid of X, or of Y: where a key of its own is not given, that of X holds.
Hybrid hybrid_setup(const Scenario& s, bool of_y) {
  const auto value = [&](const char* both, const char* own) {
    return of_y && s.is_set(own) ? s.number(own) : s.number(both);
  };
  const double turn = radians(s.number("frontend.coupler_phase_error_deg"));
  Hybrid hybrid;
  hybrid.splitter =
      Coupler::unequal(value("frontend.splitter_imbalance_db", "frontend.splitter_imbalance_y_db"), turn);
  hybrid.combiner =
      Coupler::unequal(value("frontend.combiner_imbalance_db", "frontend.combiner_imbalance_y_db"), turn);
  hybrid.phase_error = radians(value("frontend.hybrid_phase_error_deg", "frontend.hybrid_phase_error_y_deg"));
  hybrid.transmission = from_db(-s.number("frontend.hybrid_loss_db"));
  return hybrid;
}

FrontendParameters frontend_setup(const Scenario& s) {
  FrontendParameters p;
  p.splitter = {radians(s.number("frontend.pbs_angle_deg")),
                amplitude_ratio(s, "frontend.pbs_extinction_db")};
  p.oscillator_split = from_db(s.number("frontend.lo_split_imbalance_db"));
  p.oscillator_transmission = from_db(-s.number("frontend.lo_loss_db"));
  p.hybrid = hybrid_setup(s, false);
  p.hybrid_y = hybrid_setup(s, true);
  p.photodiodes.responsivity = s.number("frontend.responsivity_a_per_w");
  p.photodiodes.mismatch = photodiode_mismatch(s, "frontend.cmrr_db");
  if (s.is_set("frontend.cmrr_y_db")) p.mismatch_y = photodiode_mismatch(s, "frontend.cmrr_y_db");
  const double skew = s.number("frontend.pn_skew_ps");
  p.pn_skew = {skew * 1e-12, s.optional_number("frontend.pn_skew_y_ps").value_or(skew) * 1e-12};
  p.photodiodes.dark_current = s.number("frontend.dark_current_na") * 1e-9;
  p.photodiodes.thermal_noise = s.number("frontend.thermal_noise_pa_per_sqrt_hz") * 1e-12;
  p.photodiodes.shot_noise = s.boolean("frontend.shot_noise");
  if (p.photodiodes.dark_current > 0.0 && !p.photodiodes.shot_noise)
    s.reject("frontend.dark_current_na", "only adds shot noise; it needs frontend.shot_noise = true");
  return p;
}

ReceiverElectronicsParameters electronics_setup(const Scenario& s) {
  ReceiverElectronicsParameters p;
  p.bandwidth = scaled(s, "frontend.bandwidth_ghz", 1e9);
  p.own_bandwidth = {scaled(s, "frontend.bandwidth_xi_ghz", 1e9), scaled(s, "frontend.bandwidth_xq_ghz", 1e9),
                     scaled(s, "frontend.bandwidth_yi_ghz", 1e9),
                     scaled(s, "frontend.bandwidth_yq_ghz", 1e9)};
  p.bandwidth_order = static_cast<int>(s.integer("frontend.bandwidth_order"));
  p.low_cutoff = s.number("frontend.low_cutoff_khz") * 1e3;
  p.automatic_gain = s.text("frontend.gain_control") == "automatic";
  p.output_rms = s.number("frontend.output_rms_mv") * 1e-3;
  p.transimpedance = s.number("frontend.transimpedance_ohm");
  p.saturation = scaled(s, "frontend.output_saturation_mv", 1e-3);
  p.iq_skew = s.number("frontend.iq_skew_ps") * 1e-12;
  p.xy_skew = s.number("frontend.xy_skew_ps") * 1e-12;
  return p;
}

Interleaving interleaving_setup(const Scenario& s) {
  Interleaving p;
  p.count = static_cast<int>(s.integer("adc.interleave"));
  p.gain = s.number("adc.interleave_gain_percent") / 100.0;
  p.offset = s.number("adc.interleave_offset_percent") / 100.0;
  p.timing = s.number("adc.interleave_skew_fs") * 1e-15;
  if (p.count == 1) {
    for (const char* key :
         {"adc.interleave_gain_percent", "adc.interleave_offset_percent", "adc.interleave_skew_fs"})
      if (s.number(key) != 0.0)
        s.reject(key, "is a spread over sub-converters; adc.interleave must exceed 1");
  }
  return p;
}

AdcWiring wiring_setup(const Scenario& s) {
  const auto inputs = s.list("adc.inputs");
  if (inputs.size() != 4) s.reject("adc.inputs", "must say of 4 inputs what they are connected to");
  constexpr std::size_t kNone = 4;
  constexpr double kBeyond = 2.0;  // of full scale: whatever noise the converter adds, it is clipped
  AdcWiring wiring;
  wiring.source.fill(kNone);
  for (std::size_t l = 0; l < 4; ++l) {
    const bool inverted = inputs[l].starts_with('-');
    const std::string name = inputs[l].substr(inverted ? 1 : 0);
    const auto lane =
        static_cast<std::size_t>(std::ranges::find(Capture::kLaneNames, name) - Capture::kLaneNames.begin());
    wiring.polarity[l] = lane == kNone ? 0.0 : inverted ? -1.0 : 1.0;
    wiring.held[l] = name == "high" ? kBeyond : name == "low" ? -kBeyond : 0.0;
    if (lane == kNone) continue;
    if (std::ranges::count(wiring.source, lane) > 0) s.reject("adc.inputs", "names lane " + name + " twice");
    wiring.source[l] = lane;
  }
  for (std::size_t free = 0; auto& source : wiring.source) {
    if (source != kNone) continue;
    while (std::ranges::count(wiring.source, free) > 0) ++free;
    source = free;
  }
  return wiring;
}

AdcParameters adc_setup(const Scenario& s, double symbol_rate) {
  AdcParameters p;
  p.sample_rate = scaled(s, "adc.sample_rate_gsa", 1e9).value_or(2.0 * symbol_rate);
  if (p.sample_rate < symbol_rate) s.reject("adc.sample_rate_gsa", "is below one sample a symbol");
  p.clock_offset = s.number("adc.clock_offset_ppm") * 1e-6;
  p.clock_phase = s.number("adc.clock_phase_samples");
  p.jitter = s.number("adc.jitter_fs") * 1e-15;
  p.sine_jitter = s.number("adc.sine_jitter_fs") * 1e-15;
  p.sine_jitter_rate = s.number("adc.sine_jitter_rate_mhz") * 1e6;
  p.skew = {s.number("adc.skew_xi_ps") * 1e-12, s.number("adc.skew_xq_ps") * 1e-12,
            s.number("adc.skew_yi_ps") * 1e-12, s.number("adc.skew_yq_ps") * 1e-12};
  p.gain_spread_db = s.number("adc.gain_spread_db");
  p.offset_spread = s.number("adc.offset_spread_percent") / 100.0;
  p.interleaving = interleaving_setup(s);
  p.wiring = wiring_setup(s);
  p.quantiser = quantiser_setup(s, "adc.bits", "adc.enob");
  p.loading = amplitude_from_db(s.number("adc.loading_db"));
  if (s.text("frontend.gain_control") == "manual") p.full_scale = s.number("adc.full_scale_mv") * 1e-3;
  p.flat_band = !s.is_set("frontend.bandwidth_ghz");
  return p;
}

}  // namespace

TransmitterParameters transmitter_hardware(const Scenario& s) {
  TransmitterParameters p;
  p.dac = dac_setup(s);
  p.driver.input_rms = s.number("transmitter.dac_output_rms_v");
  p.driver.gain = amplitude_from_db(s.number("transmitter.driver_gain_db"));
  p.driver.saturation = s.optional_number("transmitter.driver_saturation_v");
  p.lane_errors = {s.number("transmitter.iq_gain_imbalance_db"), s.number("transmitter.iq_skew_ps") * 1e-12,
                   s.number("transmitter.xy_skew_ps") * 1e-12};
  p.laser = laser_setup(s, "transmitter.laser_");
  p.modulator = modulator_setup(s);
  p.launch_noise_factor = linear(s, "transmitter.launch_amplifier_noise_figure_db");
  return p;
}

void receiver_hardware(const Scenario& s, LinkSetup& setup) {
  setup.receiver_input = receiver_input_setup(s);
  setup.oscillator = {dbm_to_watt(s.number("laser_lo.power_dbm")),
                      s.number("laser_lo.frequency_offset_mhz") * 1e6, laser_setup(s, "laser_lo.")};
  setup.frontend = frontend_setup(s);
  setup.electronics = electronics_setup(s);
  setup.adc = adc_setup(s, setup.transmitter.pulse.symbol_rate);
}

}  // namespace cohlink
