#include "rx/stage/carried.h"

#include <cmath>
#include <string>

#include "sim/signal/scenario/errors.h"

namespace cohlink {

void refuse_short(std::size_t symbols, std::size_t lost) {
  if (const std::size_t needed = 2 * lost + kFewestScored; symbols < needed)
    throw InputError("capture too short: it holds " + std::to_string(symbols) +
                     " symbols, and this receiver chain needs at least " + std::to_string(needed) + " (" +
                     std::to_string(lost) + " at each end are lost to its filters)");
}

std::size_t Carried::symbols() const {
  return static_cast<std::size_t>(
             std::floor(static_cast<double>(signal.size() - 1) / samples_per_symbol() + 1e-9)) +
         1;
}

std::size_t Carried::first() const { return static_cast<std::size_t>(std::ceil(cut)); }

void Carried::require(double more_cut) {
  cut += more_cut;
  refuse_short(symbols(), first());
}

}  // namespace cohlink
