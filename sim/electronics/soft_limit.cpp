#include "sim/electronics/soft_limit.h"

#include <cstddef>

#include "sim/signal/instruction_sets.h"

namespace cohlink {
namespace {

// Of numbers whose limits repeat: eight side by side, so that the loop runs in vectors.
COHLINK_VECTOR_CLONES
void limit_eights(const double (&limit)[8], std::size_t count, double* x) {
  for (std::size_t t = 0; t + 8 <= count; t += 8)
    for (std::size_t k = 0; k < 8; ++k) {
      const double u = x[t + k] / limit[k];
      x[t + k] /= std::sqrt(std::sqrt(1.0 + u * u * u * u));
    }
}

}  // namespace

void soft_limit(ComplexRow<double>& row, double limit_i, double limit_q) {
  const double limits[8] = {limit_i, limit_q, limit_i, limit_q, limit_i, limit_q, limit_i, limit_q};
  limit_eights(limits, 2 * row.size(), reinterpret_cast<double*>(row.data()));
  for (std::size_t t = row.size() / 4 * 4; t < row.size(); ++t)
    row[t] = {soft_limit(row[t].real(), limit_i), soft_limit(row[t].imag(), limit_q)};
}

}  // namespace cohlink
