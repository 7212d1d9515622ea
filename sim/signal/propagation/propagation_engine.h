// The engine that an execution asks for.
#pragma once

#include <functional>
#include <string>
#include <string_view>
#include <utility>

#include "sim/signal/propagation/engine.h"

namespace cohlink {

/// FastEngine, or CudaEngine where `device` is kCuda; kAutomatic leaves it to Execution::device(), and if
/// that is kAutomatic too takes a card where there is one, the plan has split steps and the length takes two
/// passes a step (cuda::takes_two_passes). A card that fails under kAutomatic is left for the CPU, for the
/// rest of the process (when_device_lost tells); under kCuda its failure is thrown as cuda::DeviceError. A
/// plan with a PolarisationTrack goes to the FastEngine, whatever the device.
template <class Real>
class PropagationEngine {
 public:
  explicit PropagationEngine(Execution execution, Device device = Device::kAutomatic)
      : execution_(std::move(execution)),
        device_(device == Device::kAutomatic ? execution_.device() : device) {}

  /// As FastEngine.
  EngineReport operator()(std::span<Field<Real>> fields, const PropagationPlan& plan,
                          std::span<const RandomStreams> streams) const {
    return run(fields, plan, streams);
  }
  /// One field; one in double precision also through an engine in single.
  template <class Host>
  EngineReport operator()(Field<Host>& field, const PropagationPlan& plan,
                          const RandomStreams& streams) const {
    return run(std::span(&field, 1), plan, {&streams, 1});
  }

 private:
  template <class Host>
  EngineReport run(std::span<Field<Host>> fields, const PropagationPlan& plan,
                   std::span<const RandomStreams> streams) const;

  Execution execution_;
  Device device_;
};

/// Of run.device: "auto", "cpu" or "cuda".
Device device_named(std::string_view name);

/// Calls `listener` with the reason and what follows from it, when kAutomatic leaves a card for the CPU: once
/// for the line, and once for the front end, from whichever thread. Nobody listens at first. Not to be called
/// while engines are at work.
void when_device_lost(std::function<void(const std::string& sentence)> listener);

/// Whether a plan's split steps would run on a card: what kAutomatic chooses now.
bool card_at_hand();

/// Tells the listener of a loss.
void tell_of_loss(const std::string& sentence);

}  // namespace cohlink
