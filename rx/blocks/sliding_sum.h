// Sums over a window that slides along a row.
#pragma once

#include <algorithm>
#include <complex>
#include <cstddef>
#include <vector>

namespace cohlink {

/// Calls use(k, sum of terms[k - half] to terms[k + half]) for every k; beyond the ends there is nothing to
/// add. One sum and one difference a step.
template <class Real, class Use>
void sliding_sums(const std::vector<std::complex<Real>>& terms, std::size_t half, const Use& use) {
  const std::size_t count = terms.size();
  std::complex<double> sum = 0.0;
  for (std::size_t k = 0; k < std::min(half, count); ++k) sum += terms[k];
  for (std::size_t k = 0; k < count; ++k) {
    if (k + half < count) sum += terms[k + half];
    if (k > half) sum -= terms[k - half - 1];
    use(k, sum);
  }
}

}  // namespace cohlink
