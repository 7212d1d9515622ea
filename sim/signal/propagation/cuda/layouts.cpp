#include "sim/signal/propagation/cuda/layouts.h"

#include "sim/signal/propagation/cuda/device.h"
#include "sim/signal/propagation/cuda/two_pass.h"
#include "sim/signal/propagation/cuda/whole_transforms.h"

namespace cohlink::cuda {

template <class Real>
std::unique_ptr<Layout<Real>> make_layout(int n, int links, cudaStream_t stream) {
  if (takes_two_passes(static_cast<std::size_t>(n))) return make_two_pass<Real>(n, links, stream);
  return make_whole_transforms<Real>(n, stream);
}

template std::unique_ptr<Layout<float>> make_layout<float>(int, int, cudaStream_t);
template std::unique_ptr<Layout<double>> make_layout<double>(int, int, cudaStream_t);

}  // namespace cohlink::cuda
