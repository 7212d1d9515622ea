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

// The path's Jones matrix on a comb over the signal's band, the carrier in the middle.
void sample_jones(Truth& truth, const PropagationPlan& plan, double band_edge) {
  constexpr int kHalf = 16;
  for (int k = -kHalf; k <= kHalf; ++k) {
    const double frequency = band_edge * k / kHalf;
    const JonesMatrix m = jones_matrix(plan, frequency);
    truth.jones_frequency_hz.push_back(frequency);
    truth.jones.push_back({{{m.xx, m.xy}, {m.yx, m.yy}}});
  }
}

}  // namespace

struct Link::Parts {
  LinkSetup setup;
  std::string scenario_text;
  PropagationPlan plan;  // of a frozen fibre
  FftCache* fft;

  PropagationPlan plan_for(const RandomStreams& streams) const {
    return setup.redraw_birefringence ? plan_optical_path(setup, streams) : plan;
  }
  Truth truth(TransmittedFrame& sent, const std::vector<double>& lo_phase, const PropagationPlan& path) const;
};

Link::Link(const Scenario& scenario, FftCache& fft) : parts_(std::make_unique<Parts>()) {
  parts_->setup = link_setup(scenario);
  parts_->scenario_text = scenario.resolved();
  parts_->plan = plan_optical_path(parts_->setup, RandomStreams(parts_->setup.seed));
  parts_->fft = &fft;
}

Link::~Link() = default;
Link::Link(Link&&) noexcept = default;

double Link::peak_fibre_power() const {
  return light_levels(parts_->plan, parts_->setup.transmitter.launch_power).peak_power;
}

Truth Link::Parts::truth(TransmittedFrame& sent, const std::vector<double>& lo_phase,
                         const PropagationPlan& path) const {
  Truth truth;
  truth.bits = std::move(sent.data.bits);
  truth.symbols = std::move(sent.data.symbols);
  truth.tx_phase_rad = at_symbols(sent.phase, setup.transmitter.samples_per_symbol);
  truth.lo_phase_rad = at_symbols(lo_phase, setup.transmitter.samples_per_symbol);
  truth.frequency_offset_hz = setup.oscillator.frequency_offset;
  truth.dispersion_ps_per_nm = beta2_length_to_accumulated(totals(path).beta2_length);
  truth.dgd_ps = pmd_state(path, 0.0).dgd * 1e12;
  if (const auto osnr = light_levels(path, setup.transmitter.launch_power).osnr())
    truth.osnr_db = to_db(*osnr);
  sample_jones(truth, path, pulse_band_edge(setup.transmitter.pulse));
  return truth;
}

Capture Link::operator()(std::uint64_t frame, std::uint64_t point) const {
  const LinkSetup& setup = parts_->setup;
  FftCache& fft = *parts_->fft;
  const RandomStreams streams(setup.seed, frame, point);
  const PropagationPlan path = parts_->plan_for(streams);

  TransmittedFrame sent = transmit(setup.transmitter, streams, fft);
  Field<double> light = std::move(sent.field);
  const EngineReport report = propagate(light, path, setup.single_precision, streams, fft);
  const auto lo_phase = oscillator_phase(setup.oscillator, light.size(), light.sample_rate, streams);
  const Photocurrents currents = detect(light, setup.oscillator, lo_phase, setup.frontend, streams);
  AdcOutput converted = convert(currents, setup.adc, fft);

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
  capture.truth = parts_->truth(sent, lo_phase, path);
  return capture;
}

}  // namespace cohlink
