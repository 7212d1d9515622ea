// Exponentials and logarithms of many numbers at once, in a portable, an AVX2 and an AVX-512 version picked
// once at run time.
#pragma once

#include <cstddef>
#include <span>

namespace cohlink::elementary {

/// One version: functions of `count` numbers, in place.
struct Functions {
  /// exp x for -708 <= x <= 708; beyond that what belongs to the end. Relative error below 4e-16.
  void (*exponential)(double* x, std::size_t count);
  /// ln x for normal x > 0. Relative error below 6e-16.
  void (*logarithm)(double* x, std::size_t count);
};

/// The best version for this processor.
const Functions& best_functions();

/// "avx512", "avx2" or "portable", or nullptr where this processor cannot run it: for tests that compare
/// them.
const Functions* named_functions(const char* name);

inline void exponential(std::span<double> x) { best_functions().exponential(x.data(), x.size()); }
inline void logarithm(std::span<double> x) { best_functions().logarithm(x.data(), x.size()); }

}  // namespace cohlink::elementary
