#include "sim/signal/propagation/cuda/cuda_engine.h"

#include <algorithm>
#include <limits>
#include <stdexcept>

#include "sim/signal/propagation/cuda/host_rows.h"
#include "sim/signal/propagation/cuda/loan.h"
#include "sim/signal/propagation/cuda/passage.h"

namespace cohlink {
namespace {

using namespace cuda;
using namespace propagation_detail;

template <class Host>
struct Batch {
  std::vector<HostRows<Host>> fields;
  TimeSpan span;
};

template <class Real, class Host>
void pass_through(Worker& worker, Passage<Real>& passage, std::span<const HostRows<Host>> fields,
                  std::size_t n, std::span<const RandomStreams> streams) {
  passage.make_room(fields.size());
  send<Real>(worker, fields, n);
  passage(fields.size(), streams);
  queue_fetch<Real>(worker, fields.size(), n);
  passage.finish(fields.size());
  fetch<Real>(worker, fields, n);
}

template <class Real, class Host>
EngineReport run_batch(const Batch<Host>& batch, const PropagationPlan& plan,
                       std::span<const RandomStreams> streams, Cards& cards, const Execution& execution) {
  const std::size_t n = batch.span.samples;
  if (n > static_cast<std::size_t>(std::numeric_limits<int>::max()))
    throw DeviceError("CUDA device: a field of more than 2^31 samples");
  const Loan worker(cards, batch.fields.size() * n * sizeof(Sample<Real>), execution);
  Passage<Real> passage(*worker, execution, plan, batch.span);
  const std::span all(batch.fields);
  for (std::size_t first = 0; first < all.size(); first += passage.most_links()) {
    const std::size_t count = std::min(passage.most_links(), all.size() - first);
    pass_through<Real, Host>(*worker, passage, all.subspan(first, count), n,
                             streams.empty() ? streams : streams.subspan(first, count));
  }
  return passage.report;
}

}  // namespace

template <class Real>
template <class Host>
EngineReport CudaEngine<Real>::run(std::span<Field<Host>> fields, const PropagationPlan& plan,
                                   std::span<const RandomStreams> streams) const {
  check_batch(fields, plan, streams);
  if (fields.empty()) return {};
  Batch<Host> batch{{}, {fields[0].size(), fields[0].sample_rate}};
  for (Field<Host>& field : fields) {
    if (field.size() != batch.span.samples || field.sample_rate != batch.span.rate)
      throw std::invalid_argument("the fields of a batch must share length and sample rate");
    batch.fields.push_back({field.x.data(), field.y.data()});
  }
  return run_batch<Real>(batch, plan, streams, *cards_, execution_);
}

template <class Real>
EngineReport CudaEngine<Real>::operator()(const FieldBatch<Real>& fields, const PropagationPlan& plan,
                                          std::span<const RandomStreams> streams) const {
  check_batch(fields, plan, streams);
  if (fields.frames() == 0) return {};
  Batch<Real> batch{{}, {fields.samples(), fields.sample_rate()}};
  for (std::size_t i = 0; i < fields.frames(); ++i)
    batch.fields.push_back({fields.row(i, 0), fields.row(i, 1)});
  return run_batch<Real>(batch, plan, streams, *cards_, execution_);
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
