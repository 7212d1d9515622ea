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

LightFrame Link::Parts::deliver(LightFrame frame, const StreamAddress& address) const {
  const RandomStreams random = streams(address);
  const PropagationPlan optics = plan_optics(setup, frame.history->path, random);
  const EngineReport report = send_through(optics, frame.light, random, execution.unheard());
  frame.history =
      std::make_shared<const LightFrame::History>(frame.history->behind(BenchStage::kOptics, optics, report));
  execution.check();
  const double tuned = setup.line.comb.tested().frequency;
  tune_to(frame.light, tuned, group_delay(frame.history->path, tuned), execution.ffts());
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
  return (chosen == Device::kCuda || card_at_hand()) && detects_on_card();
}

namespace {

// Light on a card, as it stands before it is detected.
struct OnCard {
  cuda::LightOnCard light;
  LightFrame::History history;
  double frequency = 0.0, delay = 0.0;

  ArrivedOnCard arrived() { return {light, frequency, delay}; }
};

void pass_line(OnCard& on, const PropagationPlan& way, const RandomStreams& random, const Execution& heard) {
  on.history = on.history.behind(BenchStage::kLine, way, on.light.pass(way, random, heard));
}

void pass_optics(OnCard& on, const LinkSetup& setup, const RandomStreams& random, const Execution& unheard) {
  const PropagationPlan optics = plan_optics(setup, on.history.path, random);
  on.history = on.history.behind(BenchStage::kOptics, optics, on.light.pass(optics, random, unheard));
  on.frequency = setup.line.comb.tested().frequency;
  on.delay = group_delay(on.history.path, on.frequency);
}

}  // namespace

LightFrame Link::Parts::deliver_on_card(const LightFrame& frame, const StreamAddress& address) const {
  OnCard on{{cuda::shared_cards(), frame.light, setup.single_precision, execution}, *frame.history};
  pass_optics(on, setup, streams(address), execution.unheard());
  LightFrame out;
  out.light = Field<double>(frame.light.size(), frame.light.sample_rate);
  bring_back(on.arrived(), out.light);
  out.history = std::make_shared<const LightFrame::History>(std::move(on.history));
  return out;
}

Capture Link::Parts::arrive_on_card(const LightFrame& frame, const ArrivalAddresses& at,
                                    const Execution& heard) const {
  // First, so that nobody waits for a worker that waits for a laser.
  const LaserTrace oscillator = run_oscillator({frame.light.size(), frame.light.sample_rate}, at.frontend);
  LightFrame::History history;
  const DetectedFrame detected = [&] {
    // Behind the optics it has been in double precision, before them in what was asked.
    const bool single = setup.single_precision && frame.history->is_before(BenchStage::kOptics);
    OnCard on{{cuda::shared_cards(), frame.light, single, execution}, *frame.history};
    if (on.history.is_before(BenchStage::kLine))
      pass_line(on, line_for(streams(at.line)), streams(at.line), heard);
    if (on.history.is_before(BenchStage::kOptics))
      pass_optics(on, setup, streams(at.optics), execution.unheard());
    history = on.history;
    return detect_light(on.arrived(), receiver(), oscillator, streams(at.frontend), execution);
  }();
  return capture(history, oscillator, detected, at.frontend);
}

}  // namespace cohlink
