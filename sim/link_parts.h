// What a link is made of, behind its stages (link.cpp).
#pragma once

#include <algorithm>
#include <cstddef>
#include <memory>
#include <string>

#include "sim/frontend/detection.h"
#include "sim/link.h"
#include "sim/link_setup.h"
#include "sim/link_truth.h"
#include "sim/optical_path.h"
#include "sim/signal/propagation/propagation_engine.h"

namespace cohlink {

struct LightFrame::History {
  std::shared_ptr<const TransmittedFrame> sent;  // without its field, which is the light
  PropagationPlan path;                          // passed so far
  std::size_t step_floor_hits = 0;
  BenchStage passed = BenchStage::kTransmitter;

  bool is_before(BenchStage stage) const { return passed < stage; }
  History behind(BenchStage stage, const PropagationPlan& plan, const EngineReport& report) const {
    return {sent, joined(path, plan), step_floor_hits + report.step_floor_hits, std::max(passed, stage)};
  }
};

struct Link::Parts {
  LinkSetup setup;
  AdcErrors adc_errors;  // of the one converter this link has
  std::string scenario_text;
  PropagationPlan line;  // of a frozen fibre
  Device device = Device::kAutomatic;
  Execution execution;     // which hears of the line's progress alone
  bool fits_card = false;  // a card could do all behind the transmitter

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

  LaserTrace run_oscillator(const TimeGrid& grid, const StreamAddress& address) const {
    return run_laser(setup.oscillator.laser, "lo", grid, streams(address), execution);
  }
  ReceiverHardware receiver() const {
    return {setup.receiver_input, setup.oscillator, setup.frontend, setup.electronics, setup.adc, adc_errors};
  }
  Capture capture(const LightFrame::History& history, const LaserTrace& oscillator,
                  const DetectedFrame& detected, const StreamAddress& address) const;

  /// What lies between a frame that has passed the line and the receiver: optics, and how the comb is tuned.
  struct Delivery {
    PropagationPlan optics;
    double frequency = 0.0, delay = 0.0;  // Hz, s (tune_to)
    bool changes_nothing() const { return optics.elements.empty() && frequency == 0.0 && delay == 0.0; }
  };
  Delivery delivery(const PropagationPlan& path, const StreamAddress& address) const;

  /// As Link's stages, on the CPU but for the line; `heard` hears of the line's progress.
  LightFrame propagate(LightFrame frame, const StreamAddress& address, const Execution& heard) const;
  LightFrame deliver(LightFrame frame, const Delivery& ahead, const StreamAddress& address) const;
  Capture detect(LightFrame frame, const StreamAddress& address) const;

  /// run.device, or else what the execution says.
  Device chosen_device() const { return device == Device::kAutomatic ? execution.device() : device; }
  /// Whether all behind the transmitter is done on a card: the same for every frame, until a card fails, so
  /// that captures do not depend on which stages are done in one.
  bool on_card() const;
  /// Both throw cuda::DeviceError if the card fails; the frame is as it was then.
  LightFrame deliver_on_card(const LightFrame& frame, const Delivery& ahead,
                             const StreamAddress& address) const;
  Capture arrive_on_card(const LightFrame& frame, const ArrivalAddresses& at, const Execution& heard) const;
};

}  // namespace cohlink
