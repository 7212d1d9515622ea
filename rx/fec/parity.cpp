#include "rx/fec/parity.h"

#include <stdexcept>
#include <utility>

namespace cohlink::fec {

int rank_of(std::span<const std::uint32_t> columns) {
  std::vector<std::uint32_t> basis(32, 0);  // by highest row
  int rank = 0;
  for (std::uint32_t column : columns)
    for (int row = 31; row >= 0 && column != 0; --row) {
      if (!(column >> row & 1)) continue;
      if (basis[row] == 0) {
        basis[row] = std::exchange(column, 0);
        ++rank;
      } else {
        column ^= basis[row];
      }
    }
  return rank;
}

std::vector<std::uint32_t> parity_solver(std::span<const std::uint32_t> columns) {
  const std::size_t n = columns.size();
  std::vector<std::uint32_t> left(columns.begin(), columns.end()),
      right(n);  // combination right[k] makes left[k]
  for (std::size_t k = 0; k < n; ++k) right[k] = std::uint32_t{1} << k;
  for (std::size_t row = 0; row < n; ++row) {
    std::size_t pivot = row;
    while (pivot < n && !(left[pivot] >> row & 1)) ++pivot;
    if (pivot == n) throw std::invalid_argument("parity_solver: columns depend on each other");
    std::swap(left[pivot], left[row]);
    std::swap(right[pivot], right[row]);
    for (std::size_t k = 0; k < n; ++k)
      if (k != row && left[k] >> row & 1) {
        left[k] ^= left[row];
        right[k] ^= right[row];
      }
  }
  return right;
}

}  // namespace cohlink::fec
