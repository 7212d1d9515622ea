#include "sim/link_parts.h"

#include <utility>

#include "sim/frontend/cuda/detection_on_card.h"

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

bool Link::Parts::stays_on_card(std::size_t samples, const PropagationPlan& way,
                                const PropagationPlan& optics) const {
  constexpr std::size_t kMost = std::size_t{1} << 24;  // X and Y, twice as dense, are counted in 32 bits
  const Device chosen = device == Device::kAutomatic ? execution.device() : device;
  const bool goes = chosen == Device::kCuda        ? fits_card(way) && !way.elements.empty()
                    : chosen == Device::kAutomatic ? goes_to_card(samples, way)
                                                   : false;
  return goes && samples <= kMost && fits_card(optics) && detects_on_card();
}

Capture Link::Parts::arrive_on_card(const LightFrame& sent, const PropagationPlan& way,
                                    const PropagationPlan& optics, const ArrivalAddresses& at) const {
  // First, so that nobody waits for a worker that waits for a laser.
  const LaserTrace oscillator = run_oscillator({sent.light.size(), sent.light.sample_rate}, at.frontend);
  execution.check();
  cuda::LightOnCard light(cuda::shared_cards(), sent.light, setup.single_precision, execution);
  LightFrame::History history = sent.history->then(way, light.pass(way, streams(at.line), execution));
  history = history.then(optics, light.pass(optics, streams(at.optics), execution.unheard()));
  const double tuned = setup.line.comb.tested().frequency;
  const DetectedFrame detected = detect_light({light, tuned, group_delay(history.path, tuned)}, receiver(),
                                              oscillator, streams(at.frontend), execution);
  return capture(history, oscillator, detected, at.frontend);
}

}  // namespace cohlink
