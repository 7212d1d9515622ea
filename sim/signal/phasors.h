// exp(i phase) of many phases at once, at the width of the processor's vectors.
#pragma once

#include <complex>
#include <span>

namespace cohlink {

/// out[k] = exp(i phase[k]), phases in radians, both of one length. Errors: 4e-16 of the value and 3e-16 of
/// the phase itself, as a double of that size is no closer either; phases up to 1e9 rad.
void fill_phasors(std::span<const double> phase, std::span<std::complex<double>> out);

namespace phasors {

using Fill = void (*)(const double* phase, std::size_t count, std::complex<double>* out);

/// The loop for one instruction set, "portable", "avx2" or "avx512"; null where this processor or compiler
/// lacks it. For tests: `fill_phasors` takes the widest.
Fill named_fill(const char* instruction_set);

}  // namespace phasors
}  // namespace cohlink
