#include "sim/link.h"

#include <utility>

#include "sim/link_setup.h"
#include "sim/link_truth.h"
#include "sim/optical_path.h"
#include "sim/signal/execution/threads.h"
#include "sim/signal/propagation/propagation_engine.h"
#include "sim/transmitter/wavelength_comb.h"

namespace cohlink {

struct LightFrame::History {
  std::shared_ptr<const TransmittedFrame> sent;  // without its field, which is the light
  PropagationPlan path;                          // passed so far
  std::size_t step_floor_hits = 0;

  History then(const PropagationPlan& plan, const EngineReport& report) const {
    return {sent, joined(path, plan), step_floor_hits + report.step_floor_hits};
  }
};

LightFrame::LightFrame() = default;
LightFrame::~LightFrame() = default;
LightFrame::LightFrame(const LightFrame&) = default;
LightFrame::LightFrame(LightFrame&&) noexcept = default;
LightFrame& LightFrame::operator=(LightFrame&&) noexcept = default;

std::size_t LightFrame::bytes() const {
  const TransmittedFrame& sent = *history->sent;
  std::size_t sum = 2 * light.size() * sizeof(std::complex<double>) +
                    (sent.laser.phase.size() + sent.laser.relative_power.size()) * sizeof(double) +
                    history->path.elements.size() * sizeof(PlanElement);
  for (std::size_t p = 0; p < 2; ++p)
    sum += sent.data.bits[p].size() * sizeof(sent.data.bits[p][0]) +
           sent.data.symbols[p].size() * sizeof(sent.data.symbols[p][0]);
  return sum;
}

struct Link::Parts {
  LinkSetup setup;
  AdcErrors adc_errors;  // of the one converter this link has
  std::string scenario_text;
  PropagationPlan line;  // of a frozen fibre
  Device device = Device::kAutomatic;
  Execution execution;  // which hears of the line's progress alone

  PropagationPlan line_for(const RandomStreams& streams) const {
    return setup.redraw_birefringence ? plan_spans(setup, streams) : line;
  }
  RandomStreams streams(const StreamAddress& address) const {
    return RandomStreams(setup.seed, address.frame, address.point);
  }

  // Propagation in the asked precision; everything around it is double.
  EngineReport send_through(const PropagationPlan& plan, Field<double>& field, const RandomStreams& random,
                            const Execution& heard) const {
    if (plan.elements.empty()) return {};
    return setup.single_precision ? PropagationEngine<float>(heard, device)(field, plan, random)
                                  : PropagationEngine<double>(heard, device)(field, plan, random);
  }
};

Link::Link(const Scenario& scenario, Execution execution) : parts_(std::make_unique<Parts>()) {
  parts_->setup = link_setup(scenario);
  parts_->scenario_text = scenario.resolved();
  parts_->line = plan_spans(parts_->setup, RandomStreams(parts_->setup.seed));
  check_truth_size(scenario, parts_->setup);
  parts_->adc_errors = draw_adc_errors(parts_->setup.adc, RandomStreams(parts_->setup.seed));
  parts_->execution = std::move(execution);
  parts_->device = device_named(scenario.text("run.device"));
  if (parts_->device == Device::kCuda && !card_at_hand())
    scenario.reject("run.device",
                    "is cuda, and there is no GPU this build can use; auto takes one where there is");
}

Link::~Link() = default;
Link::Link(Link&&) noexcept = default;

double Link::peak_fibre_power() const {
  const RandomStreams streams(parts_->setup.seed);
  return cohlink::peak_fibre_power(parts_->setup,
                                   joined(parts_->line, plan_optics(parts_->setup, parts_->line, streams)));
}

Capture Link::operator()(std::uint64_t frame, std::uint64_t point) const {
  const StreamAddress address{frame, point};
  return detect(deliver(propagate(transmit(address), address), address), address);
}

std::vector<Capture> Link::operator()(std::span<const StreamAddress> addresses) const {
  std::vector<Capture> captures(addresses.size());
  for_each_index(addresses.size(), parts_->execution.threads(),
                 [&](std::size_t i) { captures[i] = (*this)(addresses[i].frame, addresses[i].point); });
  return captures;
}

LightFrame Link::transmit(const StreamAddress& address) const {
  const LinkSetup& setup = parts_->setup;
  parts_->execution.check();
  TransmittedFrame sent =
      transmit_comb(setup.transmitter, setup.line.comb, parts_->streams(address), parts_->execution);
  LightFrame frame;
  frame.light = std::move(sent.field);
  frame.history = std::make_shared<const LightFrame::History>(
      LightFrame::History{std::make_shared<const TransmittedFrame>(std::move(sent)), {}, 0});
  return frame;
}

LightFrame Link::propagate(LightFrame frame, const StreamAddress& address) const {
  const RandomStreams streams = parts_->streams(address);
  const PropagationPlan line = parts_->line_for(streams);
  const EngineReport report = parts_->send_through(line, frame.light, streams, parts_->execution);
  frame.history = std::make_shared<const LightFrame::History>(frame.history->then(line, report));
  return frame;
}

LightFrame Link::deliver(LightFrame frame, const StreamAddress& address) const {
  const LinkSetup& setup = parts_->setup;
  const RandomStreams streams = parts_->streams(address);
  const PropagationPlan optics = plan_optics(setup, frame.history->path, streams);
  const EngineReport report = parts_->send_through(optics, frame.light, streams, parts_->execution.unheard());
  frame.history = std::make_shared<const LightFrame::History>(frame.history->then(optics, report));
  parts_->execution.check();
  const double tuned = setup.line.comb.tested().frequency;
  tune_to(frame.light, tuned, group_delay(frame.history->path, tuned), parts_->execution.ffts());
  return frame;
}

namespace {

// What was clipped, and how often, where something can be.
Counters events_of(const LinkSetup& setup, const TransmittedFrame& sent, const ReceiverFrame& received,
                   std::uint64_t clipped_by_adc, std::uint64_t floor_hits) {
  Counters events = {{"adc_clipped_samples", clipped_by_adc},
                     {"step_floor_hits", floor_hits},
                     {"dac_clipped_samples", sent.dac.clipped_samples}};
  if (setup.transmitter.modulator.predistortion)
    events["predistortion_clipped_samples"] = sent.predistortion_clipped_samples;
  if (setup.transmitter.laser.rin || setup.oscillator.laser.rin)
    events["rin_clipped_samples"] = sent.laser.clipped_samples + received.oscillator.clipped_samples;
  return events;
}

}  // namespace

Capture Link::detect(LightFrame frame, const StreamAddress& address) const {
  const LinkSetup& setup = parts_->setup;
  parts_->execution.check();
  const RandomStreams streams = parts_->streams(address);
  Field<double>& light = frame.light;

  ReceiverFrame received;
  received.input = receive_light(light, setup.receiver_input, streams);
  received.oscillator =
      run_laser(setup.oscillator.laser, "lo", {light.size(), light.sample_rate}, streams, parts_->execution);
  parts_->execution.check();
  const Oscillator oscillator{setup.oscillator, received.oscillator};
  received.power = power_at_diodes(light, oscillator, setup.frontend);
  parts_->execution.check();
  Photocurrents currents = cohlink::detect(light, oscillator, setup.frontend, streams, parts_->execution);
  parts_->execution.check();
  ElectricalLanes lanes = connected(
      amplify_currents(std::move(currents), setup.electronics, parts_->execution), setup.adc.wiring);
  parts_->execution.check();
  received.transimpedance = lanes.transimpedance;
  AdcOutput converted = convert(std::move(lanes), setup.adc, parts_->adc_errors, streams, parts_->execution);
  received.sine_jitter_start = converted.sine_jitter_start;

  Capture capture;
  capture.lanes = converted.lanes;
  capture.sample_rate = setup.adc.sample_rate;
  capture.ampere_per_code = converted.ampere_per_code;
  capture.scenario_text = parts_->scenario_text;
  capture.seed = setup.seed;
  capture.frame = address.frame;
  capture.point = address.point;
  const TransmittedFrame& sent = *frame.history->sent;
  capture.counters =
      events_of(setup, sent, received, converted.clipped_samples, frame.history->step_floor_hits);
  parts_->execution.check();
  capture.truth = link_truth(setup, parts_->adc_errors, frame.history->path, sent, received);
  return capture;
}

}  // namespace cohlink
