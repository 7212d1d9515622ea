// The FFT plans of a test program: estimated, so that they cost nothing and repeat, and without wisdom on
// disk.
#pragma once

#include "sim/signal/execution/fft.h"

namespace cohlink::test {

inline FftCache& ffts() {
  static FftCache cache(FftPlanning::kEstimate, "");
  return cache;
}

}  // namespace cohlink::test
