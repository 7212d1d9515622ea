// The equaliser's inner loops: a 2x2 butterfly of half-symbol-spaced filters and its gradient.
#pragma once

#include <array>
#include <complex>
#include <cstddef>

#include "rx/equaliser.h"
#include "sim/signal/field.h"

namespace cohlink {

/// One block of the two outputs, real and imaginary parts apart.
struct ButterflyBlock {
  static constexpr std::size_t kSize = Equaliser::kBlock;
  alignas(64) float re[2][kSize];
  alignas(64) float im[2][kSize];
};

/// Input at two samples a symbol, scaled to unit mean power, as planes of even and odd samples so that one
/// tap meets consecutive symbols in consecutive floats.
class ButterflyInput {
 public:
  ButterflyInput(const Field<float>& signal, int taps, std::size_t first, std::size_t last);
  std::size_t symbols() const { return symbols_; }
  /// Sample 2 k + offset of row j, and the symbols after it at the same offset.
  const float* re(std::size_t j, std::size_t k, int offset) const { return plane(re_, j, k, offset); }
  const float* im(std::size_t j, std::size_t k, int offset) const { return plane(im_, j, k, offset); }

 private:
  using Planes = std::array<std::array<AlignedVector<float>, 2>, 2>;  // [row][even, odd]
  const float* plane(const Planes& planes, std::size_t j, std::size_t k, int offset) const {
    const std::size_t odd = static_cast<std::size_t>(offset & 1);
    const std::ptrdiff_t half = (offset - static_cast<int>(odd)) / 2;
    return planes[j][odd].data() + static_cast<std::ptrdiff_t>(k + pad_) + half;
  }
  std::size_t symbols_, pad_;
  Planes re_, im_;
};

/// The filters and the two things done with them.
class Butterfly {
 public:
  explicit Butterfly(int taps);

  /// All taps zero but the centre ones.
  void set_centre(std::size_t output, std::complex<float> from_x, std::complex<float> from_y);
  void set_tap(std::size_t output, std::size_t input, std::size_t n, std::complex<float> value) {
    re_[output][input][n] = value.real();
    im_[output][input][n] = value.imag();
  }
  /// Y's filters orthogonal to X's at every frequency: reversed conjugates, crossed, one negated.
  void make_y_orthogonal_to_x();

  /// Symbols k to k + kSize - 1 of both outputs.
  void filter(const ButterflyInput& in, std::size_t k, ButterflyBlock& out) const;
  /// taps += step x sum over the block of error x conj(input); rows that are not to move carry zero error.
  void adapt(const ButterflyInput& in, std::size_t k, const ButterflyBlock& error, float step, bool move_y);

  EqualiserTaps taps() const;

 private:
  int taps_;
  std::array<std::array<AlignedVector<float>, 2>, 2> re_, im_;  // [output][input]
};

}  // namespace cohlink
