#include "rx/blocks/butterfly.h"

#include <algorithm>
#include <cmath>

#include "rx/rows/row_operations.h"
#include "rx/rows/vectors.h"

namespace cohlink {
namespace {

using namespace vectors;
using Vector = Floats;
using Quarter = FourFloats;

constexpr std::size_t kBlock = ButterflyBlock::kSize;
static_assert(kBlock == 2 * kWidth);

using Lane = ButterflyInput::Lane;

COHLINK_VECTOR_CLONES
void interleave(const float* re, const float* im, std::complex<float>* out, std::size_t count) {
  for (std::size_t s = 0; s < count; s += kWidth)
    store_complex(out + s, {load(re + s), load(im + s)}, count - s);
}

COHLINK_VECTOR_CLONES
void filter_block(const std::vector<Lane>& lanes, std::size_t k, const float* weights, ButterflyBlock& out) {
  Vector re[2][2] = {}, im[2][2] = {};  // [output][half of the block]
  for (std::size_t t = 0; t < lanes.size(); ++t) {
    const float* w = weights + 4 * t;
    for (std::size_t v = 0; v < 2; ++v) {
      const Vector xr = load(lanes[t].re + k + v * kWidth), xi = load(lanes[t].im + k + v * kWidth);
      for (std::size_t i = 0; i < 2; ++i) {
        re[i][v] += w[2 * i] * xr;
        re[i][v] -= w[2 * i + 1] * xi;
        im[i][v] += w[2 * i] * xi;
        im[i][v] += w[2 * i + 1] * xr;
      }
    }
  }
  for (std::size_t i = 0; i < 2; ++i)
    for (std::size_t v = 0; v < 2; ++v) {
      store(out.re[i] + v * kWidth, re[i][v]);
      store(out.im[i] + v * kWidth, im[i][v]);
    }
}

COHLINK_VECTOR_CLONES
void gradient_block(const std::vector<Lane>& lanes, std::size_t k, const ButterflyBlock& error,
                    float* gradient) {
  Vector er[2][2], ei[2][2];
  for (std::size_t i = 0; i < 2; ++i)
    for (std::size_t v = 0; v < 2; ++v) {
      er[i][v] = load(error.re[i] + v * kWidth);
      ei[i][v] = load(error.im[i] + v * kWidth);
    }
  for (std::size_t t = 0; t < lanes.size(); ++t) {
    Vector gr[2] = {}, gi[2] = {};
    for (std::size_t v = 0; v < 2; ++v) {
      const Vector xr = load(lanes[t].re + k + v * kWidth), xi = load(lanes[t].im + k + v * kWidth);
      for (std::size_t i = 0; i < 2; ++i) {
        gr[i] += er[i][v] * xr;
        gr[i] += ei[i][v] * xi;
        gi[i] += ei[i][v] * xr;
        gi[i] -= er[i][v] * xi;
      }
    }
    store(gradient + 4 * t, sums(gr[0], gi[0], gr[1], gi[1]));
  }
}

// Of pairs (re, im): (im, re), whose products with other pairs are the imaginary part's two terms.
COHLINK_VECTOR_INLINE Quarter swapped(const Quarter& v) { return __builtin_shufflevector(v, v, 1, 0, 3, 2); }
COHLINK_VECTOR_INLINE float sum(const Quarter& v) { return (v[0] + v[1]) + (v[2] + v[3]); }

// x and y: what goes from inputs X and Y to both outputs; x_moves and y_moves their gradients.
COHLINK_VECTOR_CLONES
void turn_taps(float* weights, const float* gradient, std::size_t taps, float step) {
  const Quarter sign{1.0f, -1.0f, 1.0f, -1.0f};
  float *const from_x = weights, *const from_y = weights + 4 * taps;
  Quarter phase{}, real{}, imaginary{};  // of X against Y; of conj(x) y_moves - conj(conj(y) x_moves)
  for (std::size_t at = 0; at < 4 * taps; at += 4) {
    const auto x = load<Quarter>(from_x + at), y = load<Quarter>(from_y + at),
               x_moves = load<Quarter>(gradient + at), y_moves = load<Quarter>(gradient + 4 * taps + at);
    real += x * y_moves - y * x_moves;
    imaginary += x * swapped(y_moves) + y * swapped(x_moves);
    phase += x * swapped(x_moves) - y * swapped(y_moves);
  }
  // U = ((a, b), (-conj(b), conj(a))).
  const float half = 0.5f * step, a_im = half * sum(phase * sign), b_re = half * sum(real),
              b_im = half * sum(imaginary * sign);
  const float scale = 1.0f / std::sqrt(1.0f + a_im * a_im + b_re * b_re + b_im * b_im);
  const Quarter a = scale * a_im * -sign, b = scale * b_im * -sign;
  for (std::size_t at = 0; at < 4 * taps; at += 4) {
    const auto x = load<Quarter>(from_x + at), y = load<Quarter>(from_y + at);
    store(from_x + at, scale * (x - b_re * y) + swapped(x) * a + swapped(y) * b);
    store(from_y + at, scale * (y + b_re * x) + swapped(x) * b - swapped(y) * a);
  }
}

// Even and odd samples apart, scaled; planes are filled in whole vectors.
struct EvenOdd {
  float *even_re, *even_im, *odd_re, *odd_im;
};
COHLINK_VECTOR_CLONES
void split(const std::complex<float>* row, std::size_t count, float gain, const EvenOdd& out) {
  for (std::size_t n = 0; n < count; n += 2 * kWidth) {
    const ComplexFloats a = load_complex(row + n, count - n),
                        b = load_complex(row + n + kWidth, count - std::min(count, n + kWidth));
    const ComplexFloats even = {
        __builtin_shufflevector(a.re, b.re, 0, 2, 4, 6, 8, 10, 12, 14, 16, 18, 20, 22, 24, 26, 28, 30),
        __builtin_shufflevector(a.im, b.im, 0, 2, 4, 6, 8, 10, 12, 14, 16, 18, 20, 22, 24, 26, 28, 30)};
    const ComplexFloats odd = {
        __builtin_shufflevector(a.re, b.re, 1, 3, 5, 7, 9, 11, 13, 15, 17, 19, 21, 23, 25, 27, 29, 31),
        __builtin_shufflevector(a.im, b.im, 1, 3, 5, 7, 9, 11, 13, 15, 17, 19, 21, 23, 25, 27, 29, 31)};
    store(out.even_re + n / 2, gain * even.re);
    store(out.even_im + n / 2, gain * even.im);
    store(out.odd_re + n / 2, gain * odd.re);
    store(out.odd_im + n / 2, gain * odd.im);
  }
}

}  // namespace

void put_together(const ButterflyBlock& y, std::size_t output, std::complex<float>* out, std::size_t count) {
  interleave(y.re[output], y.im[output], out, std::min(count, kBlock));
}

ButterflyInput::ButterflyInput(std::size_t inputs, std::size_t symbols, int taps)
    : symbols_(symbols), pad_(static_cast<std::size_t>(taps) / 4 + 1), re_(inputs), im_(inputs) {
  // Padding: the filters' reach on either side, and the last block's part beyond the end.
  const std::size_t length = symbols_ + 2 * pad_ + kBlock;
  for (auto* planes : {&re_, &im_})
    for (auto& row : *planes)
      for (auto& plane : row) plane.assign(length, 0.0f);
  for (std::size_t j = 0; j < inputs; ++j)
    for (int n = -(taps / 2); n < taps - taps / 2; ++n) lanes_.push_back({re(j, 0, n), im(j, 0, n)});
}

ButterflyInput::ButterflyInput(const Field<float>& signal, int taps, std::size_t first, std::size_t last)
    : ButterflyInput(2, (signal.size() + 1) / 2, taps) {
  const std::size_t from = 2 * first, used = std::min(2 * last, signal.size()) - from;
  const Correlation powers =
      correlation(Row(signal.x).subspan(from, used), Row(signal.y).subspan(from, used));
  const std::size_t rows = powers.of_a > 0.0 ? 2 : 1;  // Y may not have been recorded
  const double power = powers.of_y + powers.of_a,
               count = static_cast<double>(std::max<std::size_t>(1, 2 * rows * (last - first)));
  const auto gain = static_cast<float>(power > 0.0 ? 1.0 / std::sqrt(power / count) : 1.0);
  for (std::size_t j = 0; j < 2; ++j) {
    const ComplexRow<float>& row = *signal.rows()[j];
    const auto planes = [&](Planes& of, std::size_t odd) { return of[j][odd].data() + pad_; };
    split(row.data(), row.size(), gain, {planes(re_, 0), planes(im_, 0), planes(re_, 1), planes(im_, 1)});
  }
}

Butterfly::Butterfly(int taps, std::size_t inputs)
    : taps_(taps),
      inputs_(inputs),
      weights_(4 * inputs * static_cast<std::size_t>(taps), 0.0f),
      gradient_(weights_.size(), 0.0f) {}

void Butterfly::set_tap(std::size_t output, std::size_t input, std::size_t n, std::complex<float> value) {
  weights(input, n)[2 * output] = value.real();
  weights(input, n)[2 * output + 1] = value.imag();
}

std::complex<float> Butterfly::tap(std::size_t output, std::size_t input, std::size_t n) const {
  const float* w = weights(input, n) + 2 * output;
  return {w[0], w[1]};
}

void Butterfly::set_centre(std::size_t output, std::complex<float> from_x, std::complex<float> from_y) {
  const auto taps = static_cast<std::size_t>(taps_);
  for (std::size_t j = 0; j < inputs_; ++j)
    for (std::size_t n = 0; n < taps; ++n) set_tap(output, j, n, 0.0f);
  set_tap(output, 0, taps / 2, from_x);
  set_tap(output, 1, taps / 2, from_y);
}

void Butterfly::make_y_orthogonal_to_x() {
  const auto taps = static_cast<std::size_t>(taps_);
  for (std::size_t n = 0; n < taps; ++n) {
    set_tap(1, 0, n, -std::conj(tap(0, 1, taps - 1 - n)));
    set_tap(1, 1, n, std::conj(tap(0, 0, taps - 1 - n)));
    for (std::size_t j = 2; j < inputs_; ++j) set_tap(1, j, n, 0.0f);
  }
}

void Butterfly::filter(const ButterflyInput& in, std::size_t k, ButterflyBlock& out) const {
  filter_block(in.lanes(), k, weights_.data(), out);
}

void Butterfly::adapt(const ButterflyInput& in, std::size_t k, const ButterflyBlock& error, float step,
                      bool move_y) {
  gradient_block(in.lanes(), k, error, gradient_.data());
  const float step_y = move_y ? step : 0.0f;
  const Quarter steps = {step, step, step_y, step_y};
  for (std::size_t at = 0; at < weights_.size(); at += 4)
    store(weights_.data() + at,
          load<Quarter>(weights_.data() + at) + steps * load<Quarter>(gradient_.data() + at));
}

void Butterfly::turn(float step) {
  turn_taps(weights_.data(), gradient_.data(), static_cast<std::size_t>(taps_), step);
}

EqualiserTaps Butterfly::taps() const {
  EqualiserTaps out;
  for (std::size_t i = 0; i < 2; ++i)
    for (std::size_t j = 0; j < 2; ++j)
      for (std::size_t n = 0; n < static_cast<std::size_t>(taps_); ++n) out[i][j].push_back(tap(i, j, n));
  return out;
}

}  // namespace cohlink
