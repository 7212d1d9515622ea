// One frame's light that stays on a card from stage to stage.
#pragma once

#include <memory>

#include "sim/signal/propagation/cuda/cuda_engine.h"

namespace cohlink::cuda {

/// Plain C++, in every build (one without CUDA has no Cards to make it of). Not to be shared between threads.
class LightOnCard {
 public:
  /// Takes a worker of a card and sends the light there, in single or double precision. Throws DeviceError if
  /// the card is lost or out of memory, and what `execution` throws when it is told to stop; so does all
  /// below.
  LightOnCard(Cards& cards, const Field<double>& light, bool single, const Execution& execution);
  ~LightOnCard();
  LightOnCard(const LightOnCard&) = delete;
  LightOnCard& operator=(const LightOnCard&) = delete;

  /// As CudaEngine on a field; `heard` hears of the progress.
  EngineReport pass(const PropagationPlan& plan, const RandomStreams& streams, const Execution& heard);

  std::size_t size() const;
  double sample_rate() const;  // Hz
  bool single() const;
  /// Whose card is the calling thread's, and in whose rows X and Y lie one after the other, in time.
  Worker& worker() const;

 private:
  struct Parts;
  std::unique_ptr<Parts> parts_;
};

}  // namespace cohlink::cuda
