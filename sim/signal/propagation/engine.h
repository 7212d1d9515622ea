// Engines: they send a batch of fields through a plan (plan.h).
//
// ReferenceEngine is slow and obvious, in double precision, and stays for good: FastEngine is judged against
// it by one shared test body. Both use the periodic, uniformly sampled field of sim/signal/field.h.
#pragma once

#include <cstddef>
#include <span>
#include <utility>

#include "sim/signal/execution/execution.h"
#include "sim/signal/execution/field_batch.h"
#include "sim/signal/field.h"
#include "sim/signal/propagation/plan.h"
#include "sim/signal/random.h"

namespace cohlink {

/// What happened on the way, summed over the batch.
struct EngineReport {
  std::size_t steps = 0;            ///< split steps done (an adaptive step counts once when accepted)
  std::size_t rejected_steps = 0;   ///< adaptive steps done again at half the length
  std::size_t step_floor_hits = 0;  ///< adaptive steps taken at their floor although the error asked for less
};

/// Executes each element by itself, with library functions, in the order of the plan.
class ReferenceEngine {
 public:
  explicit ReferenceEngine(Execution execution) : execution_(std::move(execution)) {}

  /// Propagates fields[i] in place; ASE comes from streams[i]. streams may be empty if the plan has no ASE.
  /// Throws std::invalid_argument if ASE is planned and the two spans differ in length, if a field is
  /// empty or its rows differ in length, and Stopped if the execution was told to stop.
  EngineReport operator()(std::span<Field<double>> fields, const PropagationPlan& plan,
                          std::span<const RandomStreams> streams) const;
  EngineReport operator()(Field<double>& field, const PropagationPlan& plan,
                          const RandomStreams& streams) const {
    return (*this)({&field, 1}, plan, {&streams, 1});
  }

 private:
  Execution execution_;
};

/// Memory layout of the fast engine. kNatural does whole FFTs; kTwoPass splits a long field as N1 x N2 and
/// leaves the spectrum in the order that decomposition gives, so that a step passes over memory twice.
enum class FieldLayout { kAutomatic, kNatural, kTwoPass };

/// The working engine, single (float) or double precision. Half steps of neighbours are merged, pointwise
/// work is fused, the loop allocates nothing, and inner loops pick AVX-512, AVX2 or portable code at run
/// time. Memory beside the field: one more of its size (in the natural layout only for an adaptive stretch),
/// so that twice the field is the peak under every step law. Safe to call from several threads at once.
template <class Real>
class FastEngine {
 public:
  /// kAutomatic chooses by length, as measured, and natural where the plan has no split step. kTwoPass needs
  /// a length that is a multiple of 256, or the call throws std::invalid_argument.
  explicit FastEngine(Execution execution, FieldLayout layout = FieldLayout::kAutomatic)
      : execution_(std::move(execution)), layout_(layout) {}

  /// As ReferenceEngine, and all fields of a batch must share length and sample rate. The execution hears of
  /// the progress of each field, and may end the work, between two steps or sooner.
  EngineReport operator()(std::span<Field<Real>> fields, const PropagationPlan& plan,
                          std::span<const RandomStreams> streams) const;
  EngineReport operator()(Field<Real>& field, const PropagationPlan& plan,
                          const RandomStreams& streams) const {
    return (*this)({&field, 1}, plan, {&streams, 1});
  }

  /// The same on a batch in the host's memory; throws std::invalid_argument for one elsewhere.
  EngineReport operator()(const FieldBatch<Real>& batch, const PropagationPlan& plan,
                          std::span<const RandomStreams> streams) const;

 private:
  Execution execution_;
  FieldLayout layout_;
};

}  // namespace cohlink
