// Transforms of any length by cuFFT.
#pragma once

#include <cuda_runtime.h>

namespace cohlink::cuda {

/// So many transforms of n numbers, one number `stride` from the next and one transform `distance` from the
/// next, in place and without a factor.
struct TransformShape {
  int n = 0, count = 1, stride = 1, distance = 0;
};

/// Whether the library is found; loads it.
bool whole_fft_at_hand();

/// The library is loaded when the first of these is made: it is large, and every start of the program would
/// pay for it. Throws DeviceError where it is not found, and for its errors.
class Transform {
 public:
  Transform(const TransformShape& shape, bool single, cudaStream_t stream);
  ~Transform();
  Transform(const Transform&) = delete;
  Transform& operator=(const Transform&) = delete;

  /// Queues it on the stream; `data` of the precision that was asked for. Forward: exp(-i w t).
  enum class Direction { kForward, kInverse };
  void operator()(void* data, Direction direction) const;

 private:
  int plan_ = 0;
  bool single_;
};

}  // namespace cohlink::cuda
