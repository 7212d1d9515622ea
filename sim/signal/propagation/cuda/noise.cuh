// The random numbers of sim/signal/random.h, drawn by index.
#pragma once

#include <cstdint>

#include "sim/signal/propagation/cuda/sample.cuh"

namespace cohlink::cuda {

// Philox4x32-10 (Salmon, Moraes, Dror and Shaw, SC 2011).
COHLINK_DEVICE uint4 philox(uint4 counter, uint2 key) {
#pragma unroll
  for (int round = 0; round < 10; ++round) {
    const std::uint32_t high0 = __umulhi(0xD2511F53u, counter.x), low0 = 0xD2511F53u * counter.x;
    const std::uint32_t high1 = __umulhi(0xCD9E8D57u, counter.z), low1 = 0xCD9E8D57u * counter.z;
    counter = {high1 ^ counter.y ^ key.x, low1, high0 ^ counter.w ^ key.y, low0};
    key.x += 0x9E3779B9u;
    key.y += 0xBB67AE85u;
  }
  return counter;
}

// Complex normal of one word: of its upper 40 bits the radius, of the lower 24 the angle. In double
// precision, which the radius needs; a span draws once.
template <class Real>
COHLINK_DEVICE Phasor<Real> complex_normal(std::uint32_t low, std::uint32_t high) {
  const std::uint64_t word = low | static_cast<std::uint64_t>(high) << 32;
  const double radius = sqrt(-log(1.0 - static_cast<double>(word >> 24) * 0x1p-40));
  const Phasor<double> turn = phasor_of_turns(static_cast<double>(low & 0xffffffu), 0x1p-24);
  return {static_cast<Real>(radius * turn.c), static_cast<Real>(radius * turn.s)};
}

/// Complex normals 2 bin (x) and 2 bin + 1 (y) of the stream of that key: one block.
template <class Real>
COHLINK_DEVICE Sample<Real> complex_normals(uint2 key, std::uint32_t bin) {
  const uint4 block = philox({bin, 0, 0, 0}, key);
  const auto x = complex_normal<Real>(block.x, block.y), y = complex_normal<Real>(block.z, block.w);
  return {x.c, x.s, y.c, y.s};
}

}  // namespace cohlink::cuda
