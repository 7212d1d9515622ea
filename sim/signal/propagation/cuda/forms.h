// The kernels of the two passes that were compiled, to be chosen from by length.
#pragma once

#include <cstddef>

#include "sim/signal/propagation/cuda/arguments.h"

namespace cohlink::cuda {

/// What a kernel is made for (passes.cuh).
enum class Purpose { kFewLinks, kManyLinks };

/// A kernel's shape: `length` points by threads of 2^log_e samples; a block does `together` transforms.
struct Form {
  Purpose purpose = Purpose::kFewLinks;
  int length = 0, log_e = 0, threads = 0, together = 0;
  std::size_t shared = 0;        ///< bytes of shared memory a block
  int resident = 0;              ///< blocks that a multiprocessor holds
  const void* plain = nullptr;   ///< of rows with both transforms and no section
  const void* kernel = nullptr;  ///< of rows with both transforms, or of columns with the Kerr rotation
  const void* ends = nullptr;    ///< of rows as the pass says, or of columns without
  int part[kMostElements] = {};  ///< of the frequency, by register (transform.cuh, Places)
};

/// Rows or columns of `length` (a power of two) for samples of Real, with 4, 8 or 16 samples a thread; length
/// 0 if there is none.
template <class Real>
Form row_form(Purpose purpose, int length, int elements);
template <class Real>
Form column_form(Purpose purpose, int length, int elements);

}  // namespace cohlink::cuda
