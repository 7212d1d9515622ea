#include "sim/link_truth.h"

#include <algorithm>
#include <cmath>
#include <limits>

#include <utility>

#include "sim/fibre/pmd.h"
#include "sim/optical_path.h"
#include "sim/path_truth.h"
#include "sim/signal/units.h"

namespace cohlink {
namespace {

constexpr double kLeastCarrier = 1e-20;  // none to rounding: -200 dB

std::vector<double> at_symbols(const std::vector<double>& samples, std::size_t samples_per_symbol) {
  std::vector<double> out;
  out.reserve(samples.size() / samples_per_symbol);
  for (std::size_t i = 0; i < samples.size(); i += samples_per_symbol) out.push_back(samples[i]);
  return out;
}

// To the precision that files have of it: what a capture says before it is written it says after.
std::vector<double> single_precision(std::vector<double> values) {
  for (double& value : values) value = static_cast<double>(static_cast<float>(value));
  return values;
}

// As far from the channel's centre as light reaches that the receiver may see: the pulse's band, or, behind
// hardware that makes images and harmonics, the converter's rate, what aliases included.
double band_edge(const LinkSetup& setup) {
  const PulseShape& pulse = setup.transmitter.pulse;
  const double edge = pulse_band_edge(pulse);
  if (setup.samples_for_hardware == 0) return edge;
  const double simulated =
      0.5 * pulse.symbol_rate * static_cast<double>(setup.transmitter.samples_per_symbol);
  return std::clamp(setup.adc.sample_rate, edge, std::max(edge, simulated));
}

PathWindow window_of(const LinkSetup& setup) {
  return {setup.line.comb.tested().frequency, band_edge(setup),
          static_cast<double>(setup.transmitter.symbols) / setup.transmitter.pulse.symbol_rate};
}

void sample_jones(Truth& truth, const LinkSetup& setup, const PropagationPlan& path) {
  JonesGrid grid = jones_grid(path, window_of(setup));
  truth.jones_time_s = std::move(grid.time);
  truth.jones_frequency_hz = std::move(grid.frequency);
  for (const JonesMatrix& m : grid.matrices) truth.jones.push_back({{{m.xx, m.xy}, {m.yx, m.yy}}});
}

// OSNR of what reaches the hybrid: noise of the link, then that of the pre-amplifier, whose density counts
// against the received power (all channels and the noise of the whole simulated band).
std::optional<double> osnr_at_receiver(const PropagationPlan& path, const LaunchedLight& launched,
                                       const ReceiverInput& input) {
  LightLevels levels = light_levels(path, launched);
  if (input.preamplifier_psd > 0.0)
    levels.noise_psd += input.preamplifier_psd * levels.total_power / input.power;
  return levels.osnr();
}

// Accumulated slope [ps/nm^2] of b3 L [s^3] beside an accumulated dispersion [ps/nm]: slope_to_beta3 solved
// for it.
double accumulated_slope(double beta3_length, double ps_per_nm, double wavelength) {
  const double k = wavelength / (kTwoPi * kSpeedOfLight);
  const double s_per_m2 =
      (beta3_length / (k * k) - 2.0 * wavelength * ps_per_nm * 1e-3) / (wavelength * wavelength);
  return s_per_m2 * 1e-6;
}

double degrees(double rad) { return rad * 180.0 / kPi; }

// 10^(-db/20) back in dB; infinite for nothing at all.
double rejection_db(double ratio) { return -20.0 * std::log10(std::abs(ratio)); }

double imbalance_db(const Coupler& coupler) {
  return 20.0 * std::log10(coupler.through / std::abs(coupler.cross));
}

double effective_bits(const QuantiserParameters& p) { return p.enob.value_or(p.bits); }

TransmitterTruth transmitter_truth(const TransmitterParameters& p, const TransmittedFrame& sent) {
  TransmitterTruth t;
  const auto gain = balanced_pair(p.lane_errors.iq_gain_db);
  for (std::size_t l = 0; l < 4; ++l) {
    t.gain[l] = gain[l % 2];
    t.skew_ps[l] = ((l >= 2 ? p.lane_errors.xy_skew : 0.0) + (l % 2 ? p.lane_errors.iq_skew : 0.0)) * 1e12;
  }
  const ModulatorParameters& modulator = p.modulator;
  t.phase_error_deg = {degrees(modulator.iq.phase_error), degrees(modulator.iq.phase_error)};
  t.xy_power_imbalance_db = to_db(modulator.xy_power_ratio);
  t.symbol_rate_hz = p.pulse.symbol_rate;
  t.simulated_rate_hz = p.pulse.symbol_rate * static_cast<double>(p.samples_per_symbol);
  if (p.pulse.pulse == Pulse::kRrc) t.roll_off = p.pulse.roll_off;
  t.drive_v_per_unit = p.driver.volt_per_unit();
  if (p.dac.preemphasis_db > 0.0) t.preemphasis_db = p.dac.preemphasis_db;
  if (p.dac.bandwidth) t.dac_bandwidth_order = p.dac.bandwidth_order;
  if (p.dac.quantiser)
    t.dac_bits = p.dac.quantiser->bits, t.dac_loading_db = 20.0 * std::log10(p.dac.loading);
  if (p.dac.sample_rate) t.dac_sample_rate_hz = sent.dac.sample_rate;
  t.dac_bandwidth_hz = p.dac.bandwidth;
  if (p.dac.quantiser) t.dac_enob = effective_bits(*p.dac.quantiser);
  t.driver_saturation_v = p.driver.saturation;
  if (modulator.kind == ModulatorKind::kIdeal) return t;
  t.bias_deg = {degrees(sent.bias[0].in_phase), degrees(sent.bias[0].quadrature),
                degrees(sent.bias[1].in_phase), degrees(sent.bias[1].quadrature)};
  t.extinction_db.emplace().fill(rejection_db(modulator.iq.inner_arm_error));
  t.outer_extinction_db = rejection_db(modulator.iq.outer_arm_error);
  t.v_pi_v = modulator.iq.v_pi;
  if (modulator.predistortion) t.predistortion_v_pi_v = modulator.iq.v_pi;
  return t;
}

FrontendTruth frontend_truth(const FrontendParameters& p, const PowerAtDiodes& power) {
  FrontendTruth t;
  t.signal_power_w = power.signal;
  t.lo_power_w = power.oscillator;
  for (std::size_t pol = 0; pol < 2; ++pol) {
    const PhotodiodeParameters diodes = p.photodiodes_of(pol);
    for (const std::size_t lane : {2 * pol, 2 * pol + 1}) {
      t.responsivity_a_per_w[lane] = {diodes.responsivity * (1.0 + diodes.mismatch),
                                      diodes.responsivity * (1.0 - diodes.mismatch)};
      t.cmrr_db[lane] = rejection_db(diodes.mismatch);
      t.thermal_noise_a_per_sqrt_hz[lane] = diodes.thermal_noise;
      t.dark_current_a[lane] = {diodes.dark_current, diodes.dark_current};
    }
    const Hybrid& hybrid = p.hybrid_of(pol);
    t.hybrid_phase_error_deg[pol] = degrees(hybrid.phase_error);
    t.splitter_imbalance_db[pol] = imbalance_db(hybrid.splitter);
    t.combiner_imbalance_db[pol] = imbalance_db(hybrid.combiner);
    t.coupler_phase_error_deg[pol] = degrees(std::arg(hybrid.combiner.cross)) - 90.0;
    t.pn_skew_ps[pol] = p.pn_skew[pol] * 1e12;
  }
  t.pbs_angle_deg = degrees(p.splitter.angle);
  t.pbs_extinction_db = rejection_db(p.splitter.field_leak);
  return t;
}

void band_of_lanes(LaneTruth& lanes, const LinkSetup& setup) {
  const ReceiverElectronicsParameters& p = setup.electronics;
  const AdcWiring& wiring = setup.adc.wiring;
  if (wiring.source != AdcWiring().source)
    std::ranges::copy(wiring.source, lanes.source_lane.emplace().begin());
  const bool own = std::ranges::any_of(p.own_bandwidth, [](const auto& b) { return b.has_value(); });
  if (p.bandwidth || own) lanes.bandwidth_order = p.bandwidth_order;
  if (!own) return;
  PerLane& bandwidth = lanes.own_bandwidth_hz.emplace();
  for (std::size_t l = 0; l < 4; ++l)
    bandwidth[l] = p.bandwidth_of(wiring.source[l]).value_or(std::numeric_limits<double>::infinity());
}

LaneTruth lane_truth(const LinkSetup& setup, const AdcErrors& adc_errors, const ReceiverFrame& received) {
  LaneTruth lanes;
  for (std::size_t l = 0; l < 4; ++l) {
    const std::size_t source = setup.adc.wiring.source[l];
    const double electrical =
        (source >= 2 ? setup.electronics.xy_skew : 0.0) + (source % 2 ? setup.electronics.iq_skew : 0.0);
    lanes.skew_ps[l] = (electrical + setup.adc.skew[l]) * 1e12;
    for (const double timing : adc_errors.sub_timing[l])
      lanes.interleaving_skew_ps[l].push_back(-timing * 1e12);  // sampled late: seen early
  }
  lanes.gain = adc_errors.gain;
  lanes.offset_of_full_scale = adc_errors.offset;
  lanes.transimpedance_ohm = received.transimpedance;
  lanes.interleaving_gain = adc_errors.sub_gain;
  lanes.interleaving_offset_of_full_scale = adc_errors.sub_offset;
  lanes.bandwidth_hz = setup.electronics.bandwidth;
  lanes.low_cutoff_hz = setup.electronics.low_cutoff;
  lanes.saturation_v = setup.electronics.saturation;
  band_of_lanes(lanes, setup);
  lanes.bits = setup.adc.quantiser.bits;
  lanes.enob = effective_bits(setup.adc.quantiser);
  lanes.jitter_fs = setup.adc.jitter * 1e15;
  lanes.clock_offset_ppm = setup.adc.clock_offset * 1e6;
  lanes.clock_phase_samples = setup.adc.clock_phase;
  lanes.sine_jitter_fs = setup.adc.sine_jitter * 1e15;
  lanes.sine_jitter_rate_hz = setup.adc.sine_jitter_rate;
  lanes.sine_jitter_phase_rad = received.sine_jitter_start;
  return lanes;
}

// What was sent: bits and symbols, how often each point comes, what each symbol is for.
Truth sent_truth(const TransmitterParameters& transmitter, const FrameData& data) {
  Truth truth;
  truth.bits = data.bits;
  truth.symbols = data.symbols;
  if (transmitter.modulation.shaped() != nullptr) truth.shaped = transmitter.modulation;
  if (!transmitter.layout.has_payload_alone())
    for (std::size_t k = 0; k < truth.symbols[0].size(); ++k)
      truth.symbol_role.push_back(static_cast<std::uint8_t>(transmitter.layout.role(k)));
  return truth;
}

// The key that makes polarisation turn; empty: it rests.
const char* turning_key(const PathOptics& optics) {
  if (optics.wander_rate != 0.0) return "channel.polarisation_wander_krad_per_s";
  if (optics.burst) return "channel.polarisation_burst_krad_per_s";
  return optics.rotation_rate != 0.0 ? "channel.polarisation_rotation_krad_per_s" : "";
}

}  // namespace

double jones_bytes(const LinkSetup& setup, const PropagationPlan& path) {
  return static_cast<double>(jones_grid_size(path, window_of(setup)) * sizeof(JonesMatrix));
}

void check_truth_size(const Scenario& scenario, const LinkSetup& setup) {
  constexpr double kMost = 0x1p30;
  const std::string key = turning_key(setup.line.optics);
  const double bytes =
      key.empty() ? 0.0 : jones_bytes(setup, plan_optical_path(setup, RandomStreams(setup.seed, 0)));
  if (bytes > kMost)
    scenario.reject(key, "turns so fast over " + std::to_string(setup.transmitter.symbols) +
                             " symbols that its truth would be " +
                             std::to_string(std::lround(std::ceil(bytes * 0x1p-30))) +
                             " GiB of Jones matrices, 1 at most: shorter frames (signal.symbols)");
}

Truth link_truth(const LinkSetup& setup, const AdcErrors& adc_errors, const PropagationPlan& path,
                 const TransmittedFrame& sent, const ReceiverFrame& received) {
  const std::size_t samples_per_symbol = setup.transmitter.samples_per_symbol;
  const double tuned = setup.line.comb.tested().frequency;
  Truth truth = sent_truth(setup.transmitter, sent.data);
  truth.tx_phase_rad = at_symbols(sent.laser.phase, samples_per_symbol);
  truth.lo_phase_rad = at_symbols(received.oscillator.phase, samples_per_symbol);
  truth.tx_relative_power = single_precision(at_symbols(sent.laser.relative_power, samples_per_symbol));
  truth.lo_relative_power =
      single_precision(at_symbols(received.oscillator.relative_power, samples_per_symbol));
  if (setup.transmitter.modulator.kind == ModulatorKind::kIq)
    truth.tx_carrier_db = {to_db(std::max(sent.carrier[0], kLeastCarrier)),
                           to_db(std::max(sent.carrier[1], kLeastCarrier))};
  truth.frequency_offset_hz = setup.oscillator.frequency_offset;
  const PlanTotals sum = totals(path);
  const double wavelength = setup.line.wavelength;
  truth.dispersion_ps_per_nm = beta2_length_to_accumulated(beta2_length_at(sum, tuned), wavelength);
  truth.dispersion_slope_ps_per_nm2 =
      accumulated_slope(sum.beta3_length, truth.dispersion_ps_per_nm, wavelength);
  const PmdState pmd = pmd_state(path, tuned);
  truth.dgd_ps = pmd.dgd * 1e12;
  for (std::size_t k = 0; k < 3; ++k) {
    truth.dgd_vector_ps[k] = pmd.vector[k] * 1e12;
    truth.second_order_pmd_ps2[k] = pmd.second_order[k] * 1e24;
  }
  const LaunchedLight launched = launched_light(setup, sent.noise_psd);
  if (const auto osnr = osnr_at_receiver(path, launched, received.input)) truth.osnr_db = to_db(*osnr);
  truth.transmitter = transmitter_truth(setup.transmitter, sent);
  truth.frontend = frontend_truth(setup.frontend, received.power);
  truth.lanes = lane_truth(setup, adc_errors, received);
  sample_jones(truth, setup, path);
  return truth;
}

}  // namespace cohlink
