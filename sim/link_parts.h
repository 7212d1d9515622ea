// What a link is made of, behind its stages (link.cpp).
#pragma once

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

  History then(const PropagationPlan& plan, const EngineReport& report) const {
    return {sent, joined(path, plan), step_floor_hits + report.step_floor_hits};
  }
};

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

  LaserTrace run_oscillator(const TimeGrid& grid, const StreamAddress& address) const {
    return run_laser(setup.oscillator.laser, "lo", grid, streams(address), execution);
  }
  ReceiverHardware receiver() const {
    return {setup.receiver_input, setup.oscillator, setup.frontend, setup.electronics, setup.adc, adc_errors};
  }
  Capture capture(const LightFrame::History& history, const LaserTrace& oscillator,
                  const DetectedFrame& detected, const StreamAddress& address) const;

  /// Whether light of so many samples goes its way and through the optics to the codes on a card.
  bool stays_on_card(std::size_t samples, const PropagationPlan& way, const PropagationPlan& optics) const;
  /// Throws cuda::DeviceError if the card fails; the light is as it was then.
  Capture arrive_on_card(const LightFrame& sent, const PropagationPlan& way, const PropagationPlan& optics,
                         const ArrivalAddresses& at) const;
};

}  // namespace cohlink
