// Fields of any length; see layouts.h.
#pragma once

#include "sim/signal/propagation/cuda/layouts.h"

namespace cohlink::cuda {

template <class Real>
std::unique_ptr<Layout<Real>> make_whole_transforms(int n, cudaStream_t stream);

}  // namespace cohlink::cuda
