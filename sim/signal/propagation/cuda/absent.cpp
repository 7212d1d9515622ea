// Stands in for the CUDA engine in builds without one.
#include "sim/signal/propagation/cuda/cuda_engine.h"
#include "sim/signal/propagation/cuda/light_on_card.h"

namespace cohlink::cuda {

struct Worker {};
struct Cards::State {};

const std::vector<Device>& devices() {
  static const std::vector<Device> none;
  return none;
}

Cards::Cards(const std::vector<int>&) { throw DeviceError("CUDA device: this build has no CUDA engine"); }
Cards::~Cards() = default;

// Never used, for the same reason.
struct LightOnCard::Parts {};
LightOnCard::LightOnCard(Cards&, const Field<double>&, bool, const Execution&) {}
LightOnCard::~LightOnCard() = default;
EngineReport LightOnCard::pass(const PropagationPlan&, const RandomStreams&, const Execution&) { return {}; }
std::size_t LightOnCard::size() const { return 0; }
double LightOnCard::sample_rate() const { return 0.0; }
bool LightOnCard::single() const { return false; }

}  // namespace cohlink::cuda

namespace cohlink {

// Never called: there are no Cards.
template <class Real>
template <class Host>
EngineReport CudaEngine<Real>::run(std::span<Field<Host>>, const PropagationPlan&,
                                   std::span<const RandomStreams>) const {
  return {};
}

template <class Real>
EngineReport CudaEngine<Real>::operator()(const FieldBatch<Real>&, const PropagationPlan&,
                                          std::span<const RandomStreams>) const {
  return {};
}

template class CudaEngine<float>;
template class CudaEngine<double>;
template EngineReport CudaEngine<float>::run(std::span<Field<float>>, const PropagationPlan&,
                                             std::span<const RandomStreams>) const;
template EngineReport CudaEngine<float>::run(std::span<Field<double>>, const PropagationPlan&,
                                             std::span<const RandomStreams>) const;
template EngineReport CudaEngine<double>::run(std::span<Field<double>>, const PropagationPlan&,
                                              std::span<const RandomStreams>) const;

}  // namespace cohlink
