// Fields of powers of two, two passes over memory a step; see layouts.h and passes.cuh.
#pragma once

#include "sim/signal/propagation/cuda/layouts.h"

namespace cohlink::cuda {

template <class Real>
std::unique_ptr<Layout<Real>> make_two_pass(int n, int links, cudaStream_t stream);

}  // namespace cohlink::cuda
