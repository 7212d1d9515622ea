#include "sim/link.h"

#include <utility>

#include "sim/fibre/engine.h"
#include "sim/fibre/pmd.h"
#include "sim/link_setup.h"
#include "sim/optical_path.h"
#include "sim/signal/units.h"

namespace cohlink {
namespace {

// Propagation in the asked precision; everything around it is double.
EngineReport propagate(Field<double>& field, const PropagationPlan& plan, bool single,
                       const RandomStreams& streams, FftCache& fft) {
  if (!single) return FastEngine<double>(fft)(field, plan, streams);
  Field<float> narrow = convert_field<float>(field);
  const EngineReport report = FastEngine<float>(fft)(narrow, plan, streams);
  field = convert_field<double>(narrow);
  return report;
}

std::vector<double> at_symbols(const std::vector<double>& samples, std::size_t samples_per_symbol) {
  std::vector<double> out;
  out.reserve(samples.size() / samples_per_symbol);
  for (std::size_t i = 0; i < samples.size(); i += samples_per_symbol) out.push_back(samples[i]);
  return out;
}

// The path's Jones matrix on a comb over the signal's band, its carrier (at `tuned` in the simulated band) in
// the middle.
void sample_jones(Truth& truth, const PropagationPlan& plan, double tuned, double band_edge) {
  constexpr int kHalf = 16;
  for (int k = -kHalf; k <= kHalf; ++k) {
    const double frequency = band_edge * k / kHalf;
    const JonesMatrix m = jones_matrix(plan, tuned + frequency);
    truth.jones_frequency_hz.push_back(frequency);
    truth.jones.push_back({{{m.xx, m.xy}, {m.yx, m.yy}}});
  }
}

// Dispersion at `tuned` [Hz] in the simulated band: b2 L - b3 L w, from the phase b2 L w^2/2 - b3 L w^3/6.
double beta2_length_at(const PlanTotals& sum, double tuned) {
  return sum.beta2_length - sum.beta3_length * kTwoPi * tuned;
}

// How much later than the centre of the simulated band light at `tuned` arrives: minus the slope of that
// phase.
double group_delay_at(const PlanTotals& sum, double tuned) {
  const double w = kTwoPi * tuned;
  return -(sum.beta2_length * w - 0.5 * sum.beta3_length * w * w);
}

double sample_rate(const TransmitterParameters& p) {
  return p.pulse.symbol_rate * static_cast<double>(p.samples_per_symbol);
}

// OSNR of what reaches the hybrid: noise of the link, then that of the pre-amplifier, whose density counts
// against the received power (signal and noise of the whole simulated band).
std::optional<double> osnr_at_receiver(const LightLevels& levels, const ReceiverInputParameters& input,
                                       double rate, double preamplifier_psd) {
  const double total = levels.signal_power + 2.0 * levels.noise_psd * rate;
  LightLevels at_hybrid = levels;
  at_hybrid.noise_psd += preamplifier_psd * total / input.received_power;
  return at_hybrid.osnr();
}

}  // namespace

// What the receiver added to the truth of one frame.
struct ReceiverFrame {
  LaserTrace oscillator;
  double preamplifier_psd = 0.0;  // W/Hz per polarisation, referred to the received power
  std::array<double, 4> transimpedance = {1, 1, 1, 1};
};

struct Link::Parts {
  LinkSetup setup;
  AdcErrors adc_errors;  // of the one converter this link has
  std::string scenario_text;
  PropagationPlan plan;  // of a frozen fibre
  FftCache* fft;

  PropagationPlan plan_for(const RandomStreams& streams) const {
    return setup.redraw_birefringence ? plan_optical_path(setup, streams) : plan;
  }
  Truth truth(TransmittedFrame& sent, const ReceiverFrame& received, const PropagationPlan& path) const;
  LaneTruth lane_truth(const std::array<double, 4>& transimpedance) const;
};

Link::Link(const Scenario& scenario, FftCache& fft) : parts_(std::make_unique<Parts>()) {
  parts_->setup = link_setup(scenario);
  parts_->scenario_text = scenario.resolved();
  parts_->plan = plan_optical_path(parts_->setup, RandomStreams(parts_->setup.seed));
  parts_->adc_errors = draw_adc_errors(parts_->setup.adc, RandomStreams(parts_->setup.seed));
  parts_->fft = &fft;
}

Link::~Link() = default;
Link::Link(Link&&) noexcept = default;

double Link::peak_fibre_power() const {
  const LaunchedLight launched = launched_light(parts_->setup);
  return light_levels(parts_->plan, launched).peak_power * launched.total_ratio;
}

LaneTruth Link::Parts::lane_truth(const std::array<double, 4>& transimpedance) const {
  LaneTruth lanes;
  for (std::size_t l = 0; l < 4; ++l) {
    const double electrical =
        (l >= 2 ? setup.electronics.xy_skew : 0.0) + (l % 2 ? setup.electronics.iq_skew : 0.0);
    lanes.skew_ps[l] = (electrical + setup.adc.skew[l]) * 1e12;
    for (const double timing : adc_errors.sub_timing[l])
      lanes.interleaving_skew_ps[l].push_back(-timing * 1e12);  // sampled late: seen early
  }
  lanes.gain = adc_errors.gain;
  lanes.offset_of_full_scale = adc_errors.offset;
  lanes.transimpedance_ohm = transimpedance;
  lanes.interleaving_gain = adc_errors.sub_gain;
  lanes.interleaving_offset_of_full_scale = adc_errors.sub_offset;
  lanes.clock_offset_ppm = setup.adc.clock_offset * 1e6;
  return lanes;
}

Truth Link::Parts::truth(TransmittedFrame& sent, const ReceiverFrame& received,
                         const PropagationPlan& path) const {
  const std::size_t samples_per_symbol = setup.transmitter.samples_per_symbol;
  const LightLevels levels = light_levels(path, launched_light(setup, sent.noise_psd));
  const double tuned = tuned_frequency(setup);
  Truth truth;
  truth.bits = std::move(sent.data.bits);
  truth.symbols = std::move(sent.data.symbols);
  truth.tx_phase_rad = at_symbols(sent.laser.phase, samples_per_symbol);
  truth.lo_phase_rad = at_symbols(received.oscillator.phase, samples_per_symbol);
  truth.tx_relative_power = at_symbols(sent.laser.relative_power, samples_per_symbol);
  truth.lo_relative_power = at_symbols(received.oscillator.relative_power, samples_per_symbol);
  truth.frequency_offset_hz = setup.oscillator.frequency_offset;
  truth.dispersion_ps_per_nm = beta2_length_to_accumulated(beta2_length_at(totals(path), tuned));
  truth.dgd_ps = pmd_state(path, tuned).dgd * 1e12;
  if (const auto osnr = osnr_at_receiver(levels, setup.receiver_input, sample_rate(setup.transmitter),
                                         received.preamplifier_psd))
    truth.osnr_db = to_db(*osnr);
  truth.lanes = lane_truth(received.transimpedance);
  sample_jones(truth, path, tuned, pulse_band_edge(setup.transmitter.pulse));
  return truth;
}

Capture Link::operator()(std::uint64_t frame, std::uint64_t point) const {
  const LinkSetup& setup = parts_->setup;
  FftCache& fft = *parts_->fft;
  const RandomStreams streams(setup.seed, frame, point);
  const PropagationPlan path = parts_->plan_for(streams);

  TransmittedFrame sent = transmit_comb(setup.transmitter, setup.comb, streams, fft);
  Field<double> light = std::move(sent.field);
  const EngineReport report = propagate(light, path, setup.single_precision, streams, fft);
  if (const double tuned = tuned_frequency(setup); tuned != 0.0)
    tune_to(light, tuned, group_delay_at(totals(path), tuned), fft);
  ReceiverFrame received;
  received.preamplifier_psd = receive_light(light, setup.receiver_input, streams);
  received.oscillator =
      run_laser(setup.oscillator.laser, "lo", light.size(), light.sample_rate, streams, fft);
  Photocurrents currents = detect(light, setup.oscillator, received.oscillator, setup.frontend, streams);
  const ElectricalLanes lanes = amplify_currents(std::move(currents), setup.electronics, fft);
  received.transimpedance = lanes.transimpedance;
  AdcOutput converted = convert(lanes, setup.adc, parts_->adc_errors, streams, fft);

  Capture capture;
  capture.lanes = std::move(converted.lanes);
  capture.sample_rate = setup.adc.sample_rate;
  capture.ampere_per_code = converted.ampere_per_code;
  capture.scenario_text = parts_->scenario_text;
  capture.seed = setup.seed;
  capture.frame = frame;
  capture.point = point;
  capture.counters["adc-clipped-samples"] = converted.clipped_samples;
  capture.counters["step-floor-hits"] = report.step_floor_hits;
  capture.counters["dac-clipped-samples"] = sent.dac_clipped_samples;
  capture.truth = parts_->truth(sent, received, path);
  return capture;
}

}  // namespace cohlink
