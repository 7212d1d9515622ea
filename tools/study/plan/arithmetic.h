// Which roundings a process makes. Numbers are the same to the last byte only where FFT plans and vector
// loops are.
#pragma once

#include <string>

#include "sim/signal/execution/fft.h"

namespace cohlink {

/// How this process rounds so far: its vector loops and every FFT plan in `fft`, a line each, "name: value".
std::string arithmetic_of(const FftCache& fft);

/// The first thing that both texts name and do differently; "" where there is none.
std::string unlike_arithmetic(const std::string& a, const std::string& b);

/// What to tell whoever joins numbers of processes that differ in `what`.
std::string arithmetic_remark(const std::string& who, const std::string& what);

}  // namespace cohlink
