// Runs a compiled program (program.h) on a chunk of links that lie on the device.
#pragma once

#include <span>
#include <vector>

#include "sim/signal/propagation/cuda/layouts.h"
#include "sim/signal/propagation/cuda/worker.h"
#include "sim/signal/propagation/engine.h"
#include "sim/signal/propagation/program.h"

namespace cohlink::cuda {

/// Sample rate and length are those of all links.
template <class Real>
class Executor {
 public:
  /// `samples`: links fields of n samples, in time, natural order.
  Executor(Worker& worker, FieldsOnDevice<Real> samples, double rate, GainTable gains);

  /// Queues everything; only adaptive stretches, which need to look and take one link, wait for the device.
  /// `before_each` is called with each instruction.
  template <class Watch>
  void run(const std::vector<propagation_detail::Instruction>& program, const Watch& before_each) {
    next_gain_ = 0;
    adaptive = {};
    layout_->enter(samples_, links_);
    for (const auto& instruction : program) {
      before_each(instruction);
      std::visit(*this, instruction);
    }
    layout_->leave(samples_, links_);
  }

  void operator()(const propagation_detail::LinearPass& pass);
  void operator()(const propagation_detail::KerrPass& pass);
  void operator()(const propagation_detail::GainPass& pass);
  void operator()(const propagation_detail::AdaptivePass& pass);
  void operator()(const propagation_detail::RotationPass& pass);

  EngineReport adaptive{};  ///< of adaptive stretches alone

 private:
  FieldsOnDevice<Real> fields() const { return {samples_, links_, layout_->order()}; }
  void rows(RowPass<Real> pass);
  void step(const FibreConstants& fibre, double h);
  double relative_difference();
  void keep(Sample<Real>* to, const Sample<Real>* from);

  Worker& worker_;
  Sample<Real>* samples_;
  int n_, links_, next_gain_ = 0;
  Layout<Real>* layout_;
  double rate_;
  GainTable gains_;
};

}  // namespace cohlink::cuda
