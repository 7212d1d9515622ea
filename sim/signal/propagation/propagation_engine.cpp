#include "sim/signal/propagation/propagation_engine.h"

#include <algorithm>
#include <atomic>
#include <mutex>

#include "sim/signal/propagation/cuda/cuda_engine.h"

namespace cohlink {
namespace {

std::atomic<bool> device_given_up{false};

std::function<void(const std::string&)>& loss_listener() {
  static std::function<void(const std::string&)> listener;
  return listener;
}

void give_up_device(const std::string& reason) {
  if (device_given_up.exchange(true)) return;
  if (loss_listener()) loss_listener()(reason);
}

bool has_steps(const PropagationPlan& plan) {
  return std::any_of(plan.elements.begin(), plan.elements.end(), [](const PlanElement& e) {
    return std::holds_alternative<SplitStep>(e) || std::holds_alternative<AdaptiveStretch>(e);
  });
}

// Cards have no kernel for a track, which stands among optics without steps, where a card gains nothing.
bool has_track(const PropagationPlan& plan) {
  return std::any_of(plan.elements.begin(), plan.elements.end(),
                     [](const PlanElement& e) { return std::holds_alternative<PolarisationTrack>(e); });
}

template <class Real>
bool pays_on_card(std::span<Field<Real>> fields, const PropagationPlan& plan) {
  return !fields.empty() && cuda::takes_two_passes(fields[0].size()) && has_steps(plan);
}

}  // namespace

void when_device_lost(std::function<void(const std::string&)> listener) {
  loss_listener() = std::move(listener);
}

Device device_named(std::string_view name) {
  return name == "cuda" ? Device::kCuda : name == "cpu" ? Device::kCpu : Device::kAutomatic;
}

bool card_at_hand() { return !device_given_up && !cuda::devices().empty(); }

template <class Real>
EngineReport PropagationEngine<Real>::operator()(std::span<Field<Real>> fields, const PropagationPlan& plan,
                                                 std::span<const RandomStreams> streams) const {
  const auto on_card = [&] {
    return CudaEngine<Real>(cuda::shared_cards(), execution_)(fields, plan, streams);
  };
  if (has_track(plan)) return FastEngine<Real>(execution_)(fields, plan, streams);
  if (device_ == Device::kCuda) return on_card();
  if (device_ == Device::kAutomatic && pays_on_card(fields, plan) && card_at_hand()) {
    try {
      return on_card();
    } catch (const cuda::DeviceError& error) {
      // Fields of chunks that were done would go through twice: only a single chunk is repeated as it was.
      if (fields.size() > 1) throw;
      give_up_device(error.what());
    }
  }
  return FastEngine<Real>(execution_)(fields, plan, streams);
}

template class PropagationEngine<float>;
template class PropagationEngine<double>;

}  // namespace cohlink
