#include "sim/signal/prbs.h"

#include <stdexcept>
#include <string>

namespace cohlink {
namespace {

int second_tap(int order) {
  switch (order) {
    case 15:
      return 14;
    case 23:
      return 18;
    case 31:
      return 28;
    default:
      throw std::invalid_argument("no PRBS of order " + std::to_string(order) + "; use 15, 23 or 31");
  }
}

}  // namespace

Bits prbs(int order, std::size_t count, std::size_t start) {
  const int tap = second_tap(order);
  const std::uint64_t period = (std::uint64_t{1} << order) - 1;
  std::uint64_t state = period;  // all ones; bit k-1 holds the output k steps ago
  Bits out(count);
  const auto step = [&] {
    const std::uint64_t bit = ((state >> (order - 1)) ^ (state >> (tap - 1))) & 1;
    state = ((state << 1) | bit) & period;
    return bit;
  };
  for (std::uint64_t skipped = start % period; skipped > 0; --skipped) step();
  for (auto& bit : out) bit = static_cast<std::uint8_t>(step() ^ 1);  // O.150: the sequence is inverted
  return out;
}

}  // namespace cohlink
