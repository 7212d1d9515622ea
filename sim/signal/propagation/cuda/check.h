// Errors of the CUDA runtime as exceptions.
#pragma once

#include <cuda_runtime.h>

#include "sim/signal/propagation/cuda/device.h"

namespace cohlink::cuda {

/// Throws DeviceError with the runtime's own words.
inline void check(cudaError_t status) {
  if (status != cudaSuccess) throw DeviceError(std::string("CUDA device: ") + cudaGetErrorString(status));
}

}  // namespace cohlink::cuda
