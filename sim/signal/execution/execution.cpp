#include "sim/signal/execution/execution.h"

#include <utility>

namespace cohlink {

Execution::Execution(FftCache ffts, Device device, unsigned threads)
    : ffts_(std::move(ffts)),
      device_(device),
      threads_(threads),
      stopped_(std::make_shared<std::atomic<bool>>(false)) {}

Execution Execution::heard_by(ProgressListener listener) const {
  Execution heard = *this;
  heard.listener_ = std::make_shared<const ProgressListener>(std::move(listener));
  return heard;
}

Execution Execution::unheard() const {
  Execution unheard = *this;
  unheard.listener_ = nullptr;
  return unheard;
}

}  // namespace cohlink
