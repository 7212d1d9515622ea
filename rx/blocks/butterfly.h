// The equaliser's inner loops: a 2x2 butterfly of half-symbol-spaced filters and its gradient.
#pragma once

#include <array>
#include <complex>
#include <cstddef>
#include <vector>

#include "rx/blocks/equaliser.h"
#include "sim/signal/field.h"

namespace cohlink {

/// One block of the two outputs, real and imaginary parts apart.
struct ButterflyBlock {
  static constexpr std::size_t kSize = Equaliser::kBlock;
  alignas(64) float re[2][kSize];
  alignas(64) float im[2][kSize];
};

/// Inputs at two samples a symbol, as planes of even and odd samples so that one tap meets consecutive
/// symbols in consecutive floats.
class ButterflyInput {
 public:
  /// The two rows of a signal, scaled to unit mean power on symbols [first, last).
  ButterflyInput(const Field<float>& signal, int taps, std::size_t first, std::size_t last);
  /// `inputs` rows of zeros for `symbols` symbols, to be filled by set().
  ButterflyInput(std::size_t inputs, std::size_t symbols, int taps);

  ButterflyInput(const ButterflyInput&) = delete;  // whose taps would look at the other's planes
  ButterflyInput& operator=(const ButterflyInput&) = delete;

  /// One input's samples at one tap's delay, from symbol 0 on.
  struct Lane {
    const float *re, *im;
  };
  /// [input][tap].
  const std::vector<Lane>& lanes() const { return lanes_; }

  std::size_t inputs() const { return re_.size(); }
  std::size_t symbols() const { return symbols_; }
  /// Sample 2 k + offset of row j, and the symbols after it at the same offset.
  const float* re(std::size_t j, std::size_t k, int offset) const { return plane(re_, j, k, offset); }
  const float* im(std::size_t j, std::size_t k, int offset) const { return plane(im_, j, k, offset); }
  /// Sample `n` of row j; may lie up to half the taps before the first and after the last.
  void set(std::size_t j, std::ptrdiff_t n, std::complex<float> value) {
    const std::size_t odd = static_cast<std::size_t>(n & 1);
    const auto at = static_cast<std::size_t>((n - static_cast<std::ptrdiff_t>(odd)) / 2 +
                                             static_cast<std::ptrdiff_t>(pad_));
    re_[j][odd][at] = value.real();
    im_[j][odd][at] = value.imag();
  }

 private:
  using Planes = std::vector<std::array<AlignedVector<float>, 2>>;  // [row][even, odd]
  const float* plane(const Planes& planes, std::size_t j, std::size_t k, int offset) const {
    const std::size_t odd = static_cast<std::size_t>(offset & 1);
    const std::ptrdiff_t half = (offset - static_cast<int>(odd)) / 2;
    return planes[j][odd].data() + static_cast<std::ptrdiff_t>(k + pad_) + half;
  }
  std::size_t symbols_, pad_;
  Planes re_, im_;
  std::vector<Lane> lanes_;
};

/// Symbols of one output beside each other, the block's first `count` of them.
void put_together(const ButterflyBlock& y, std::size_t output, std::complex<float>* out, std::size_t count);

/// The filters from every input to the two outputs, and the two things done with them.
class Butterfly {
 public:
  explicit Butterfly(int taps, std::size_t inputs = 2);

  /// All of the output's taps zero but the centre ones from the first two inputs.
  void set_centre(std::size_t output, std::complex<float> from_x, std::complex<float> from_y);
  void set_tap(std::size_t output, std::size_t input, std::size_t n, std::complex<float> value);
  std::complex<float> tap(std::size_t output, std::size_t input, std::size_t n) const;
  /// Y's filters orthogonal to X's at every frequency: reversed conjugates, crossed, one negated. From the
  /// first two inputs; Y's others become zero.
  void make_y_orthogonal_to_x();

  /// Symbols k to k + kSize - 1 of both outputs.
  void filter(const ButterflyInput& in, std::size_t k, ButterflyBlock& out) const;
  /// taps += step x sum over the block of error x conj(input); Y's only if move_y.
  void adapt(const ButterflyInput& in, std::size_t k, const ButterflyBlock& error, float step, bool move_y);

  /// Turns the first two inputs into one another before all taps alike: the filters become those of U x with
  /// U = 1 + A, made unitary, and A the anti-Hermitian traceless part of `step` x sum over taps and outputs
  /// of conj(filters) x the gradient of the last adapt(). What a polarisation that turns moves is three real
  /// numbers, which may therefore follow it much faster than each tap by itself for the same noise, whatever
  /// the line does before.
  void turn(float step);

  EqualiserTaps taps() const;  // from the first two inputs

 private:
  float* weights(std::size_t input, std::size_t n) {
    return weights_.data() + 4 * (input * static_cast<std::size_t>(taps_) + n);
  }
  const float* weights(std::size_t input, std::size_t n) const {
    return weights_.data() + 4 * (input * static_cast<std::size_t>(taps_) + n);
  }
  int taps_;
  std::size_t inputs_;
  AlignedVector<float> weights_;   // [input][tap][X re, X im, Y re, Y im]
  AlignedVector<float> gradient_;  // as the weights
};

}  // namespace cohlink
