#include "sim/signal/propagation/propagation_engine.h"

#include <algorithm>
#include <atomic>
#include <mutex>
#include <type_traits>

#include "sim/signal/propagation/cuda/cuda_engine.h"

namespace cohlink {
namespace {

std::atomic<bool> device_given_up{false};

std::function<void(const std::string&)>& loss_listener() {
  static std::function<void(const std::string&)> listener;
  return listener;
}

// Cards have no kernel for a track, which stands among optics without steps, where a card gains nothing.
bool fits_card(const PropagationPlan& plan) {
  return std::none_of(plan.elements.begin(), plan.elements.end(),
                      [](const PlanElement& e) { return std::holds_alternative<PolarisationTrack>(e); });
}

bool goes_to_card(std::size_t samples, const PropagationPlan& plan) {
  return cuda::takes_two_passes(samples) && has_steps(plan) && fits_card(plan) && card_at_hand();
}

void give_up_card(const std::string& reason) {
  if (!device_given_up.exchange(true))
    tell_of_loss(reason + "; from here on light goes through fibre on the CPU");
}

template <class Real, class Host>
EngineReport on_processor(const Execution& execution, std::span<Field<Host>> fields,
                          const PropagationPlan& plan, std::span<const RandomStreams> streams) {
  const FastEngine<Real> engine(execution);
  if constexpr (std::is_same_v<Real, Host>) {
    return engine(fields, plan, streams);
  } else {
    Field<Real> narrow = convert_field<Real>(fields[0]);
    const EngineReport report = engine(narrow, plan, streams[0]);
    fields[0] = convert_field<Host>(narrow);
    return report;
  }
}

template <class Real, class Host>
EngineReport on_card(const Execution& execution, std::span<Field<Host>> fields, const PropagationPlan& plan,
                     std::span<const RandomStreams> streams) {
  const CudaEngine<Real> engine(cuda::shared_cards(), execution);
  if constexpr (std::is_same_v<Real, Host>)
    return engine(fields, plan, streams);
  else
    return engine(fields[0], plan, streams[0]);
}

}  // namespace

void when_device_lost(std::function<void(const std::string&)> listener) {
  loss_listener() = std::move(listener);
}

Device device_named(std::string_view name) {
  return name == "cuda" ? Device::kCuda : name == "cpu" ? Device::kCpu : Device::kAutomatic;
}

bool card_at_hand() { return !device_given_up && !cuda::devices().empty(); }

void tell_of_loss(const std::string& sentence) {
  static std::mutex one_at_a_time;
  const std::lock_guard lock(one_at_a_time);
  if (loss_listener()) loss_listener()(sentence);
}

template <class Real>
template <class Host>
EngineReport PropagationEngine<Real>::run(std::span<Field<Host>> fields, const PropagationPlan& plan,
                                          std::span<const RandomStreams> streams) const {
  if (!fits_card(plan)) return on_processor<Real>(execution_, fields, plan, streams);
  if (device_ == Device::kCuda) return on_card<Real>(execution_, fields, plan, streams);
  if (device_ == Device::kAutomatic && !fields.empty() && goes_to_card(fields[0].size(), plan)) {
    try {
      return on_card<Real>(execution_, fields, plan, streams);
    } catch (const cuda::DeviceError& error) {
      // Fields of chunks that were done would go through twice: only a single chunk is repeated as it was.
      if (fields.size() > 1) throw;
      give_up_card(error.what());
    }
  }
  return on_processor<Real>(execution_, fields, plan, streams);
}

template class PropagationEngine<float>;
template class PropagationEngine<double>;
template EngineReport PropagationEngine<float>::run(std::span<Field<float>>, const PropagationPlan&,
                                                    std::span<const RandomStreams>) const;
template EngineReport PropagationEngine<float>::run(std::span<Field<double>>, const PropagationPlan&,
                                                    std::span<const RandomStreams>) const;
template EngineReport PropagationEngine<double>::run(std::span<Field<double>>, const PropagationPlan&,
                                                     std::span<const RandomStreams>) const;

}  // namespace cohlink
