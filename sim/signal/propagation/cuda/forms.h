// The kernels of the two passes that were compiled, to be chosen from by length.
#pragma once

#include <cstddef>

#include "sim/signal/propagation/cuda/arguments.h"

namespace cohlink::cuda {

/// A kernel's shape: `length` points by threads of 2^log_e samples; a block does `together` transforms.
struct Form {
  int length = 0, log_e = 0, threads = 0, together = 0;
  std::size_t shared = 0;        ///< bytes of shared memory a block
  const void* kernel = nullptr;  ///< of rows, or of columns with the Kerr rotation
  const void* ends = nullptr;    ///< of columns without
};

/// Rows or columns of `length` (a power of two) for samples of Real, with 8 or 16 samples a thread and
/// `together` as asked where there are several; length 0 if there is none.
template <class Real>
Form row_form(int length, int elements);
template <class Real>
Form column_form(int length, int elements, int together);

}  // namespace cohlink::cuda
