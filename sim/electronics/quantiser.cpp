#include "sim/electronics/quantiser.h"

#include <algorithm>

#include "sim/signal/instruction_sets.h"

namespace cohlink {
namespace {

// Rounds and clips; the number of those clipped.
COHLINK_VECTOR_CLONES
std::uint64_t round_to_codes(double full_scale, std::size_t count, double* x) {
  const double least = -full_scale, most = full_scale - 1.0;
  std::uint64_t clipped = 0;
  for (std::size_t t = 0; t < count; ++t) {
    const double code = std::nearbyint(x[t]), kept = std::min(std::max(code, least), most);
    clipped += code != kept;
    x[t] = kept;
  }
  return clipped;
}

}  // namespace

void Quantiser::operator()(std::span<double> x, RandomStream& random) {
  if (noise_ > 0.0)
    for (double& value : x) value += noise_ * random.normal();
  clipped_ += round_to_codes(full_scale_, x.size(), x.data());
}

}  // namespace cohlink
