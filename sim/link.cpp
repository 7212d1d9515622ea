#include "sim/link.h"

#include <algorithm>
#include <stdexcept>
#include <utility>

#include "sim/frontend/cuda/detection_on_card.h"
#include "sim/link_parts.h"
#include "sim/signal/execution/threads.h"
#include "sim/signal/propagation/cuda/device.h"
#include "sim/transmitter/wavelength_comb.h"

namespace cohlink {

namespace {

// Whether a card could do all behind the transmitter: it turns by no polarisation track, and counts in 32
// bits.
bool fits_a_card(const LinkSetup& setup, const PropagationPlan& line, Device chosen) {
  constexpr std::size_t kMostSamples = std::size_t{1} << 24;
  constexpr double kMostCodes = 0x1p28;
  const TransmitterParameters& t = setup.transmitter;
  const std::size_t samples = t.symbols * t.samples_per_symbol;
  const double seconds = static_cast<double>(t.symbols) / t.pulse.symbol_rate;
  const double codes = 4.0 * seconds * setup.adc.sample_rate * (1.0 + setup.adc.clock_offset);
  const bool turns = setup.line.optics.wander_rate != 0.0 || setup.line.optics.burst;
  return has_steps(line) && !turns && samples <= kMostSamples && codes <= kMostCodes &&
         (chosen == Device::kCuda || cuda::takes_two_passes(samples));
}

}  // namespace

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
  parts_->fits_card = fits_a_card(parts_->setup, parts_->line, parts_->chosen_device());
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
  frame.history = std::make_shared<const LightFrame::History>(LightFrame::History{
      std::make_shared<const TransmittedFrame>(std::move(sent)), {}, 0, BenchStage::kTransmitter});
  return frame;
}

LightFrame Link::propagate(LightFrame sent, const StreamAddress& address) const {
  return parts_->propagate(std::move(sent), address, parts_->execution);
}

LightFrame Link::deliver(LightFrame arrived, const StreamAddress& address) const {
  const Parts::Delivery ahead = parts_->delivery(arrived.history->path, address);
  if (parts_->on_card() && !ahead.changes_nothing()) {
    try {
      return parts_->deliver_on_card(arrived, ahead, address);
    } catch (const cuda::DeviceError& error) {
      if (parts_->chosen_device() == Device::kCuda) throw;
      stop_detecting_on_card(error.what());
    }
  }
  return parts_->deliver(std::move(arrived), ahead, address);
}

Capture Link::detect(LightFrame delivered, const StreamAddress& address) const {
  if (delivered.history->is_before(BenchStage::kOptics))
    throw std::logic_error("a frame that was not delivered cannot be detected");
  return arrive(std::move(delivered), {{}, {}, address});
}

Capture Link::arrive(LightFrame frame, const ArrivalAddresses& at) const {
  double told = 0.0;  // of the line's progress, before a card failed
  if (parts_->on_card()) {
    try {
      return parts_->arrive_on_card(frame, at, parts_->execution.heard_by([&](double share) {
        told += share;
        parts_->execution.progress(share);
      }));
    } catch (const cuda::DeviceError& error) {
      if (parts_->chosen_device() == Device::kCuda) throw;
      // A card that failed in the line is left by its engine, which tries again.
      if (told > 0.999 || !frame.history->is_before(BenchStage::kLine)) stop_detecting_on_card(error.what());
    }
  }
  const Execution rest = parts_->execution.heard_by(
      [this, left = std::max(0.0, 1.0 - told)](double share) { parts_->execution.progress(left * share); });
  if (frame.history->is_before(BenchStage::kLine)) frame = parts_->propagate(std::move(frame), at.line, rest);
  if (frame.history->is_before(BenchStage::kOptics)) {
    const Parts::Delivery ahead = parts_->delivery(frame.history->path, at.optics);
    frame = parts_->deliver(std::move(frame), ahead, at.optics);
  }
  return parts_->detect(std::move(frame), at.frontend);
}

bool Link::arrives_on_card() const { return parts_->on_card(); }

}  // namespace cohlink
