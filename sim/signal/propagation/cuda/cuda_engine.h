// The engine for NVIDIA GPUs: the CPU engines' plans, numbers and random streams, on one card or several.
//
// Plain C++, in every build; where there is no CUDA engine, devices() is empty and Cards cannot be made.
#pragma once

#include <memory>
#include <span>
#include <utility>
#include <vector>

#include "sim/signal/propagation/cuda/device.h"
#include "sim/signal/propagation/engine.h"

namespace cohlink::cuda {

struct Worker;

/// The cards that work is spread over, with the streams and the memory of those at work; kept from one call
/// to the next. Safe to use from several threads at once.
class Cards {
 public:
  /// `indices` as in devices(). Throws DeviceError if one does not exist or none is given.
  explicit Cards(const std::vector<int>& indices);
  ~Cards();
  Cards(const Cards&) = delete;
  Cards& operator=(const Cards&) = delete;

  /// A worker on the card that has the fewest at work, until it is given back. Waits while every card has as
  /// many at work as keep it busy: `bytes` of samples each, together no more than its second-level cache
  /// holds, so that steps of one do not drive the samples of another out of it (stages beyond propagation
  /// keep more, which they seldom touch). Throws what `execution`
  /// throws when it is told to stop.
  std::unique_ptr<Worker> take(std::size_t bytes, const Execution& execution);
  void give_back(std::unique_ptr<Worker> worker, bool to_be_used_again);

 private:
  struct State;
  std::unique_ptr<State> state_;
};

/// The cards of this process (set_rank_on_host), kept until it ends. Throws DeviceError if there are none.
Cards& shared_cards();

}  // namespace cohlink::cuda

namespace cohlink {

/// Single (float) or double precision. Fields of powers of two from 2^12 to 2^24 samples take two passes over
/// memory a step; others go through cuFFT, and are slower. A batch is worked on in chunks that stay in the
/// card's cache. Memory on the card: a chunk (some tens of MiB, or one field), once more as a buffer, and
/// twice more for an adaptive stretch.
template <class Real>
class CudaEngine {
 public:
  CudaEngine(cuda::Cards& cards, Execution execution) : cards_(&cards), execution_(std::move(execution)) {}

  /// As FastEngine, and throws cuda::DeviceError if a card is lost or out of memory. Whatever is thrown, each
  /// field is either done or as it was.
  EngineReport operator()(std::span<Field<Real>> fields, const PropagationPlan& plan,
                          std::span<const RandomStreams> streams) const {
    return run(fields, plan, streams);
  }
  /// One field; one in double precision also in single on the card, narrowed on the way there.
  template <class Host>
  EngineReport operator()(Field<Host>& field, const PropagationPlan& plan,
                          const RandomStreams& streams) const {
    return run(std::span(&field, 1), plan, {&streams, 1});
  }
  EngineReport operator()(const FieldBatch<Real>& batch, const PropagationPlan& plan,
                          std::span<const RandomStreams> streams) const;

 private:
  template <class Host>
  EngineReport run(std::span<Field<Host>> fields, const PropagationPlan& plan,
                   std::span<const RandomStreams> streams) const;

  cuda::Cards* cards_;
  Execution execution_;
};

}  // namespace cohlink
