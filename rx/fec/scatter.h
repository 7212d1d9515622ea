// The order of interleavers that scatter: the same random one in every run and program.
#pragma once

#include <numeric>
#include <string_view>
#include <utility>
#include <vector>

#include "sim/signal/random.h"

namespace cohlink::fec {

/// A permutation of 0 to count - 1 (Fisher and Yates), drawn from the stream of that name.
inline std::vector<int> scattered_order(int count, std::string_view stream) {
  std::vector<int> order(static_cast<std::size_t>(count));
  std::iota(order.begin(), order.end(), 0);
  RandomStream random = RandomStreams(0).stream(stream);
  for (int n = count - 1; n > 0; --n)
    std::swap(order[static_cast<std::size_t>(n)],
              order[static_cast<std::size_t>(static_cast<int>(random.uniform() * (n + 1)))]);
  return order;
}

}  // namespace cohlink::fec
