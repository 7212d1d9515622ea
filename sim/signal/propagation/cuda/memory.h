// Memory on the current device, or locked on the host, that grows as it is asked for.
#pragma once

#include <cuda_runtime.h>

#include <cstddef>

#include "sim/signal/propagation/cuda/check.h"

namespace cohlink::cuda {

template <bool kOnHost>
class Memory {
 public:
  Memory() = default;
  ~Memory() { release(); }
  Memory(const Memory&) = delete;
  Memory& operator=(const Memory&) = delete;

  /// Room for `count` of T; what was there before is lost if it has to grow.
  template <class T>
  T* at_least(std::size_t count) {
    const std::size_t bytes = count * sizeof(T);
    if (bytes > bytes_) {
      release();
      check(kOnHost ? cudaMallocHost(&data_, bytes) : cudaMalloc(&data_, bytes));
      bytes_ = bytes;
    }
    return static_cast<T*>(data_);
  }

 private:
  void release() {
    if (data_ != nullptr) kOnHost ? cudaFreeHost(data_) : cudaFree(data_);
    data_ = nullptr;
    bytes_ = 0;
  }

  void* data_ = nullptr;
  std::size_t bytes_ = 0;
};

using DeviceMemory = Memory<false>;
using LockedMemory = Memory<true>;

}  // namespace cohlink::cuda
