#include "sim/link.h"

#include <utility>

#include "sim/link_setup.h"
#include "sim/link_truth.h"
#include "sim/optical_path.h"
#include "sim/signal/propagation/engine.h"

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

}  // namespace

struct Link::Parts {
  LinkSetup setup;
  AdcErrors adc_errors;  // of the one converter this link has
  std::string scenario_text;
  PropagationPlan plan;  // of a frozen fibre
  FftCache* fft;

  PropagationPlan plan_for(const RandomStreams& streams) const {
    return setup.redraw_birefringence ? plan_optical_path(setup, streams) : plan;
  }
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

Capture Link::operator()(std::uint64_t frame, std::uint64_t point) const {
  const LinkSetup& setup = parts_->setup;
  FftCache& fft = *parts_->fft;
  const RandomStreams streams(setup.seed, frame, point);
  const PropagationPlan path = parts_->plan_for(streams);

  TransmittedFrame sent = transmit_comb(setup.transmitter, setup.comb, streams, fft);
  Field<double> light = std::move(sent.field);
  const EngineReport report = propagate(light, path, setup.single_precision, streams, fft);
  tune_to(light, tuned_frequency(setup), group_delay(path, tuned_frequency(setup)), fft);
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
  capture.truth = link_truth(setup, parts_->adc_errors, path, std::move(sent), received);
  return capture;
}

}  // namespace cohlink
