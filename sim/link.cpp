#include "sim/link.h"

#include <utility>

#include "sim/link_parts.h"
#include "sim/signal/execution/threads.h"
#include "sim/signal/propagation/cuda/device.h"
#include "sim/transmitter/wavelength_comb.h"

namespace cohlink {

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
  return arrive(transmit(address), {address, address, address});
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

Capture Link::detect(LightFrame frame, const StreamAddress& address) const {
  parts_->execution.check();
  const LaserTrace oscillator =
      parts_->run_oscillator({frame.light.size(), frame.light.sample_rate}, address);
  const DetectedFrame detected = detect_light(std::move(frame.light), parts_->receiver(), oscillator,
                                              parts_->streams(address), parts_->execution);
  return parts_->capture(*frame.history, oscillator, detected, address);
}

Capture Link::arrive(LightFrame sent, const ArrivalAddresses& at) const {
  const LinkSetup& setup = parts_->setup;
  const PropagationPlan line = parts_->line_for(parts_->streams(at.line));
  const PropagationPlan optics =
      plan_optics(setup, joined(sent.history->path, line), parts_->streams(at.optics));
  if (parts_->stays_on_card(sent.light.size(), line, optics)) {
    try {
      return parts_->arrive_on_card(sent, line, optics, at);
    } catch (const cuda::DeviceError& error) {
      if (parts_->device == Device::kCuda) throw;
      give_up_card(error.what());
    }
  }
  return detect(deliver(propagate(std::move(sent), at.line), at.optics), at.frontend);
}

}  // namespace cohlink
