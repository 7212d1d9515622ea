// Sums over many samples, always in the same order.
#pragma once

#include "sim/signal/propagation/cuda/pointwise.h"
#include "sim/signal/propagation/cuda/sample.cuh"

namespace cohlink::cuda {

/// Threads of a block of every kernel that visits samples one by one.
constexpr int kBlock = 256;

namespace {

// Leaves the sum over the block in thread 0.
COHLINK_DEVICE double block_sum(double value) {
  __shared__ double values[kBlock];
  values[threadIdx.x] = value;
  __syncthreads();
  for (unsigned half = kBlock / 2; half > 0; half /= 2) {
    if (threadIdx.x < half) values[threadIdx.x] += values[threadIdx.x + half];
    __syncthreads();
  }
  const double sum = values[0];
  __syncthreads();
  return sum;
}

// Of what kSumBlocks blocks left.
COHLINK_DEVICE double sum_of_parts(const double* parts) {
  return block_sum(threadIdx.x < kSumBlocks ? parts[threadIdx.x] : 0.0);
}

// A block a sum.
__global__ void add_parts(const double* parts, double* sums) {
  const double sum = sum_of_parts(parts + blockIdx.x * kSumBlocks);
  if (threadIdx.x == 0) sums[blockIdx.x] = sum;
}

}  // namespace

}  // namespace cohlink::cuda
