#include "sim/link_parts.h"

#include <utility>

#include "sim/frontend/cuda/detection_on_card.h"
#include "sim/signal/propagation/cuda/device.h"
#include "sim/transmitter/wavelength_comb.h"

namespace cohlink {

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

Capture Link::Parts::capture(const LightFrame::History& history, const LaserTrace& oscillator,
                             const DetectedFrame& detected, const StreamAddress& address) const {
  execution.check();
  Capture out;
  out.lanes = detected.converted.lanes;
  out.sample_rate = setup.adc.sample_rate;
  out.ampere_per_code = detected.converted.ampere_per_code;
  out.scenario_text = scenario_text;
  out.seed = setup.seed;
  out.frame = address.frame;
  out.point = address.point;
  const ReceiverFrame received{oscillator, detected.input, detected.power, detected.transimpedance,
                               detected.converted.sine_jitter_start};
  out.counters =
      events_of(setup, *history.sent, received, detected.converted.clipped_samples, history.step_floor_hits);
  out.truth = link_truth(setup, adc_errors, history.path, *history.sent, received);
  return out;
}

LightFrame Link::Parts::propagate(LightFrame frame, const StreamAddress& address,
                                  const Execution& heard) const {
  const RandomStreams random = streams(address);
  const PropagationPlan way = line_for(random);
  const EngineReport report = send_through(way, frame.light, random, heard);
  frame.history =
      std::make_shared<const LightFrame::History>(frame.history->behind(BenchStage::kLine, way, report));
  return frame;
}

Link::Parts::Delivery Link::Parts::delivery(const PropagationPlan& path, const StreamAddress& address) const {
  Delivery out;
  out.optics = plan_optics(setup, path, streams(address));
  out.frequency = setup.line.comb.tested().frequency;
  out.delay = group_delay(joined(path, out.optics), out.frequency);
  return out;
}

LightFrame Link::Parts::deliver(LightFrame frame, const Delivery& ahead, const StreamAddress& address) const {
  const EngineReport report = send_through(ahead.optics, frame.light, streams(address), execution.unheard());
  frame.history = std::make_shared<const LightFrame::History>(
      frame.history->behind(BenchStage::kOptics, ahead.optics, report));
  execution.check();
  tune_to(frame.light, ahead.frequency, ahead.delay, execution.ffts());
  return frame;
}

Capture Link::Parts::detect(LightFrame frame, const StreamAddress& address) const {
  execution.check();
  const LaserTrace oscillator = run_oscillator({frame.light.size(), frame.light.sample_rate}, address);
  const DetectedFrame detected =
      detect_light(std::move(frame.light), receiver(), oscillator, streams(address), execution);
  return capture(*frame.history, oscillator, detected, address);
}

bool Link::Parts::on_card() const {
  const Device chosen = chosen_device();
  if (!fits_card || chosen == Device::kCpu) return false;
  return (chosen == Device::kCuda || card_at_hand()) && detects_on_card(chosen);
}

LightFrame Link::Parts::deliver_on_card(const LightFrame& frame, const Delivery& ahead,
                                        const StreamAddress& address) const {
  LightFrame out;
  out.light = Field<double>(frame.light.size(), frame.light.sample_rate);
  cuda::LightOnCard light(cuda::shared_cards(), frame.light, setup.single_precision, execution);
  const EngineReport report = light.pass(ahead.optics, streams(address), execution.unheard());
  bring_back({light, ahead.frequency, ahead.delay}, out.light);
  out.history = std::make_shared<const LightFrame::History>(
      frame.history->behind(BenchStage::kOptics, ahead.optics, report));
  return out;
}

// All that takes no card comes first, so that nobody waits for a worker that waits for it.
Capture Link::Parts::arrive_on_card(const LightFrame& frame, const ArrivalAddresses& at,
                                    const Execution& heard) const {
  LightFrame::History history = *frame.history;
  const bool before_line = history.is_before(BenchStage::kLine);
  const bool before_optics = history.is_before(BenchStage::kOptics);
  const LaserTrace oscillator = run_oscillator({frame.light.size(), frame.light.sample_rate}, at.frontend);
  const PropagationPlan way = before_line ? line_for(streams(at.line)) : PropagationPlan{};
  const Delivery ahead = before_optics ? delivery(joined(history.path, way), at.optics) : Delivery{};
  execution.check();
  DetectedFrame detected;
  {
    // Behind the optics light is in double precision, before them in what was asked.
    cuda::LightOnCard light(cuda::shared_cards(), frame.light, setup.single_precision && before_optics,
                            execution);
    if (before_line)
      history = history.behind(BenchStage::kLine, way, light.pass(way, streams(at.line), heard));
    if (before_optics)
      history = history.behind(BenchStage::kOptics, ahead.optics,
                               light.pass(ahead.optics, streams(at.optics), execution.unheard()));
    detected = detect_light({light, ahead.frequency, ahead.delay}, receiver(), oscillator,
                            streams(at.frontend), execution);
  }
  return capture(history, oscillator, detected, at.frontend);
}

}  // namespace cohlink
