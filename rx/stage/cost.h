// Arithmetic, counted.
#pragma once

#include <cstddef>
#include <string>

namespace cohlink {

/// Real operations. Comparisons, absolute values' choices and changes of level count as additions (a
/// comparator is a subtractor); changes of sign and moves are free. Sines, cosines and angles are counted
/// apart: hardware looks them up.
struct Operations {
  double multiplications = 0, additions = 0, look_ups = 0;
  Operations& operator+=(const Operations& o) {
    multiplications += o.multiplications;
    additions += o.additions;
    look_ups += o.look_ups;
    return *this;
  }
  friend Operations operator+(Operations a, const Operations& b) { return a += b; }
  friend Operations operator*(double n, const Operations& o) {
    return {n * o.multiplications, n * o.additions, n * o.look_ups};
  }
};

inline constexpr Operations kComplexProduct{4, 2, 0}, kComplexSum{0, 2, 0}, kSquaredMagnitude{2, 1, 0},
    kRealTimesComplex{2, 0, 0};

struct BlockCost {
  std::string block;      // name as in dsp.chain
  Operations per_symbol;  // in one symbol period, both polarisations together, once running
};

}  // namespace cohlink
