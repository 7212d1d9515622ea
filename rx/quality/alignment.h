// Finding which transmitted row each received row carries, and how late.
#pragma once

#include <array>
#include <cstddef>

#include "sim/signal/constellation.h"
#include "sim/signal/execution/fft.h"
#include "sim/signal/field.h"

namespace cohlink {

/// Received row i carries transmitted row source[i], `delay[i]` symbols late: y_i[k] ~ a_source[k - delay],
/// the transmitted row repeating with its length.
struct Alignment {
  std::array<int, 2> source = {0, 1};
  std::array<long, 2> delay = {0, 0};
  std::array<double, 2> peak_to_rms = {0, 0};  // of the correlation: below kAlignmentLock, nothing found
  bool found(std::size_t row) const;
  bool same_source() const { return source[0] == source[1]; }
};

/// The correlation of unrelated rows exceeds this once in about 1e8 attempts.
inline constexpr double kAlignmentLock = 6.0;

/// Circular cross-correlation, by FFT over the transmitted length, of y[k] conj(y[k-1]) with a[k]
/// conj(a[k-1]): products of neighbours do not care about carrier phase, quarter turns or cycle slips. Only
/// received symbols in [first, last) count. Long rows are first looked at near delay 0, where a clear enough
/// peak ends the search. Among nearly equal peaks (one PRBS on both polarisations,
/// shifted) the smaller delay wins. std::invalid_argument when the transmitted rows are empty or unequal.
Alignment align(const Field<float>& received, std::size_t first, std::size_t last,
                const std::array<Symbols, 2>& sent, const FftCache& fft);

}  // namespace cohlink
