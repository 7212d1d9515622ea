// Runs a compiled program (program.h) on links that lie on the device.
#pragma once

#include <span>
#include <vector>

#include "sim/signal/propagation/cuda/layouts.h"
#include "sim/signal/propagation/cuda/worker.h"
#include "sim/signal/propagation/engine.h"
#include "sim/signal/propagation/program.h"

namespace cohlink::cuda {

/// The links that one Executor takes through a program: fields in time, natural order.
template <class Real>
struct Share {
  FieldsOnDevice<Real> fields;
  GainTable gains;
  double* parts = nullptr;  ///< links x kSumBlocks, and 2 kSumBlocks + 2 for adaptive stretches
};

/// Sample rate and length are those of all links.
template <class Real>
class Executor {
 public:
  Executor(Worker& worker, Lane& lane, const Share<Real>& share, double rate);

  void enter();
  void leave() { layout_->leave(samples_, links_); }
  /// Queues an instruction; only adaptive stretches, which need to look and take one link, wait for the
  /// device.
  void operator()(const propagation_detail::LinearPass& pass);
  void operator()(const propagation_detail::KerrPass& pass);
  void operator()(const propagation_detail::GainPass& pass);
  void operator()(const propagation_detail::AdaptivePass& pass);
  void operator()(const propagation_detail::RotationPass& pass);
  void operator()(const propagation_detail::TrackPass&) {}  // refused before (signature.h)

  EngineReport adaptive{};  ///< of adaptive stretches alone

 private:
  FieldsOnDevice<Real> fields() const { return {samples_, links_, layout_->order()}; }
  void rows(RowPass<Real> pass);
  void step(const FibreConstants& fibre, double h);
  double relative_difference();
  void keep(Sample<Real>* to, const Sample<Real>* from);

  Worker& worker_;
  cudaStream_t stream_;
  Sample<Real>* samples_;
  int n_, links_, next_gain_ = 0;
  Layout<Real>* layout_;
  double rate_;
  GainTable gains_;
  double* parts_;
};

/// Queues a program on the executors' streams, in turn, so that all get on at the same time. `before_each` is
/// called with each instruction.
template <class Real, class Watch>
void run(std::vector<Executor<Real>>& executors, const std::vector<propagation_detail::Instruction>& program,
         const Watch& before_each) {
  for (Executor<Real>& executor : executors) executor.enter();
  for (const auto& instruction : program) {
    before_each(instruction);
    for (Executor<Real>& executor : executors) std::visit(executor, instruction);
  }
  for (Executor<Real>& executor : executors) executor.leave();
}

}  // namespace cohlink::cuda
