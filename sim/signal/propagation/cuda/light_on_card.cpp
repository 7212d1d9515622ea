#include "sim/signal/propagation/cuda/light_on_card.h"

#include <array>
#include <limits>

#include "sim/signal/propagation/cuda/host_rows.h"
#include "sim/signal/propagation/cuda/loan.h"
#include "sim/signal/propagation/cuda/passage.h"

namespace cohlink::cuda {
namespace {

// Fields that are to be read alone are not written.
HostRows<double> rows_of(const Field<double>& light) {
  return {const_cast<std::complex<double>*>(light.x.data()),
          const_cast<std::complex<double>*>(light.y.data())};
}

template <class Real>
EngineReport pass_through(Worker& worker, const TimeSpan& span, const PropagationPlan& plan,
                          const RandomStreams& streams, const Execution& heard) {
  Passage<Real> passage(worker, heard, plan, span);
  passage.make_room(1);
  passage(1, {&streams, 1});
  passage.finish(1);
  return passage.report;
}

}  // namespace

struct LightOnCard::Parts {
  Parts(Cards& cards, std::size_t bytes, const Execution& execution) : worker(cards, bytes, execution) {}
  Loan worker;
  TimeSpan span;
  bool single = false;
};

LightOnCard::LightOnCard(Cards& cards, const Field<double>& light, bool single, const Execution& execution) {
  if (light.size() > static_cast<std::size_t>(std::numeric_limits<int>::max()) / 4)
    throw DeviceError("CUDA device: a field of more than 2^29 samples");
  const std::size_t sample = single ? sizeof(Sample<float>) : sizeof(Sample<double>);
  parts_ = std::make_unique<Parts>(cards, light.size() * sample, execution);
  parts_->span = {light.size(), light.sample_rate};
  parts_->single = single;
  const std::array<HostRows<double>, 1> rows = {rows_of(light)};
  if (single)
    send<float, double>(worker(), rows, light.size());
  else
    send<double, double>(worker(), rows, light.size());
}

LightOnCard::~LightOnCard() = default;

EngineReport LightOnCard::pass(const PropagationPlan& plan, const RandomStreams& streams,
                               const Execution& heard) {
  if (plan.elements.empty()) return {};
  return single() ? pass_through<float>(worker(), parts_->span, plan, streams, heard)
                  : pass_through<double>(worker(), parts_->span, plan, streams, heard);
}

std::size_t LightOnCard::size() const { return parts_->span.samples; }
double LightOnCard::sample_rate() const { return parts_->span.rate; }
bool LightOnCard::single() const { return parts_->single; }
Worker& LightOnCard::worker() const { return *parts_->worker; }

}  // namespace cohlink::cuda
