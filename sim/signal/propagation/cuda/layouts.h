// Two ways for fields to lie on a device, behind one set of passes, as the CPU engine has (cpu/layout.h).
#pragma once

#include <cuda_runtime.h>

#include <memory>

#include "sim/signal/propagation/cuda/forms.h"
#include "sim/signal/propagation/cuda/pointwise.h"

namespace cohlink::cuda {

template <class Real>
class Layout {
 public:
  virtual ~Layout() = default;
  /// Takes fields that lie in natural order, time; and gives them back so.
  virtual void enter(Sample<Real>* fields, int links) = 0;
  virtual void leave(Sample<Real>* fields, int links) = 0;
  /// Chirp and sections, with the transforms before and behind that `pass` asks for.
  virtual void linear(Sample<Real>* fields, int links, RowPass<Real> pass) = 0;
  /// Kerr rotation, between transforms.
  virtual void kerr(Sample<Real>* fields, int links, Real turns_per_watt) = 0;
  const BinOrder& order() const { return order_; }

 protected:
  BinOrder order_;
};

/// For n samples a link and about `links` links at a time, queued on `stream`: two passes over memory a step
/// (passes.cuh) for powers of two from 2^12 to 2^24, else whole transforms by cuFFT, or DeviceError where
/// that library is not found.
template <class Real>
std::unique_ptr<Layout<Real>> make_layout(int n, int links, cudaStream_t stream);

}  // namespace cohlink::cuda
