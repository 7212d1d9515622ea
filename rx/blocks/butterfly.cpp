#include "rx/blocks/butterfly.h"

#include <algorithm>
#include <cmath>

#include "rx/blocks/vectors.h"

namespace cohlink {
namespace {

using namespace vectors;
using Vector = Floats;
using Half = EightFloats;
using Quarter = FourFloats;

constexpr std::size_t kBlock = ButterflyBlock::kSize;
static_assert(kBlock == 2 * kWidth);

// Four lanes that together hold the sum of all sixteen.
COHLINK_VECTOR_INLINE Quarter fold(const Vector& v) {
  const Half h = __builtin_shufflevector(v, v, 0, 1, 2, 3, 4, 5, 6, 7) +
                 __builtin_shufflevector(v, v, 8, 9, 10, 11, 12, 13, 14, 15);
  return __builtin_shufflevector(h, h, 0, 1, 2, 3) + __builtin_shufflevector(h, h, 4, 5, 6, 7);
}

// (sum of a, sum of b, sum of c, sum of d).
COHLINK_VECTOR_INLINE Quarter sums(const Vector& a, const Vector& b, const Vector& c, const Vector& d) {
  const Quarter p = fold(a), q = fold(b), r = fold(c), s = fold(d);
  const Quarter pq = __builtin_shufflevector(p, q, 0, 4, 2, 6) + __builtin_shufflevector(p, q, 1, 5, 3, 7);
  const Quarter rs = __builtin_shufflevector(r, s, 0, 4, 2, 6) + __builtin_shufflevector(r, s, 1, 5, 3, 7);
  return __builtin_shufflevector(pq, rs, 0, 1, 4, 5) + __builtin_shufflevector(pq, rs, 2, 3, 6, 7);
}

// One input's samples at one tap's delay.
struct Lane {
  const float *re, *im;
};

COHLINK_VECTOR_CLONES
void filter_block(const Lane* lanes, const float* weights, std::size_t count, ButterflyBlock& out) {
  Vector re[2][2] = {}, im[2][2] = {};  // [output][half of the block]
  for (std::size_t t = 0; t < count; ++t) {
    const float* w = weights + 4 * t;
    for (std::size_t v = 0; v < 2; ++v) {
      const Vector xr = load(lanes[t].re + v * kWidth), xi = load(lanes[t].im + v * kWidth);
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
void adapt_block(const Lane* lanes, float* weights, std::size_t count, const ButterflyBlock& error,
                 float step_x, float step_y) {
  Vector er[2][2], ei[2][2];
  for (std::size_t i = 0; i < 2; ++i)
    for (std::size_t v = 0; v < 2; ++v) {
      er[i][v] = load(error.re[i] + v * kWidth);
      ei[i][v] = load(error.im[i] + v * kWidth);
    }
  const Quarter step = {step_x, step_x, step_y, step_y};
  for (std::size_t t = 0; t < count; ++t) {
    Vector gr[2] = {}, gi[2] = {};
    for (std::size_t v = 0; v < 2; ++v) {
      const Vector xr = load(lanes[t].re + v * kWidth), xi = load(lanes[t].im + v * kWidth);
      for (std::size_t i = 0; i < 2; ++i) {
        gr[i] += er[i][v] * xr;
        gr[i] += ei[i][v] * xi;
        gi[i] += ei[i][v] * xr;
        gi[i] -= er[i][v] * xi;
      }
    }
    float* w = weights + 4 * t;
    store(w, load<Quarter>(w) + step * sums(gr[0], gi[0], gr[1], gi[1]));
  }
}

// All inputs at all delays for the block at symbol k, in the order of the weights.
std::size_t gather(const ButterflyInput& in, std::size_t k, int taps, Lane* lanes) {
  std::size_t count = 0;
  for (std::size_t j = 0; j < in.inputs(); ++j)
    for (int n = 0; n < taps; ++n) lanes[count++] = {in.re(j, k, n - taps / 2), in.im(j, k, n - taps / 2)};
  return count;
}

}  // namespace

ButterflyInput::ButterflyInput(std::size_t inputs, std::size_t symbols, int taps)
    : symbols_(symbols), pad_(static_cast<std::size_t>(taps) / 4 + 1), re_(inputs), im_(inputs) {
  // Padding: the filters' reach on either side, and the last block's part beyond the end.
  const std::size_t length = symbols_ + 2 * pad_ + kBlock;
  for (auto* planes : {&re_, &im_})
    for (auto& row : *planes)
      for (auto& plane : row) plane.assign(length, 0.0f);
}

ButterflyInput::ButterflyInput(const Field<float>& signal, int taps, std::size_t first, std::size_t last)
    : ButterflyInput(2, (signal.size() + 1) / 2, taps) {
  double power_x = 0.0, power_y = 0.0;
  for (std::size_t n = 2 * first; n < std::min(2 * last, signal.size()); ++n) {
    power_x += std::norm(signal.x[n]);
    power_y += std::norm(signal.y[n]);
  }
  const std::size_t rows = power_y > 0.0 ? 2 : 1;  // Y may not have been recorded
  const double power = power_x + power_y,
               count = static_cast<double>(std::max<std::size_t>(1, 2 * rows * (last - first)));
  const auto gain = static_cast<float>(power > 0.0 ? 1.0 / std::sqrt(power / count) : 1.0);
  for (std::size_t j = 0; j < 2; ++j) {
    const ComplexRow<float>& row = *signal.rows()[j];
    for (std::size_t odd = 0; odd < 2; ++odd) {
      float *re = re_[j][odd].data() + pad_, *im = im_[j][odd].data() + pad_;
      for (std::size_t n = odd; n < row.size(); n += 2) {
        re[n / 2] = gain * row[n].real();
        im[n / 2] = gain * row[n].imag();
      }
    }
  }
}

Butterfly::Butterfly(int taps, std::size_t inputs)
    : taps_(taps), inputs_(inputs), weights_(4 * inputs * static_cast<std::size_t>(taps), 0.0f) {}

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
  std::vector<Lane> lanes(weights_.size() / 4);
  filter_block(lanes.data(), weights_.data(), gather(in, k, taps_, lanes.data()), out);
}

void Butterfly::adapt(const ButterflyInput& in, std::size_t k, const ButterflyBlock& error, float step,
                      bool move_y) {
  std::vector<Lane> lanes(weights_.size() / 4);
  adapt_block(lanes.data(), weights_.data(), gather(in, k, taps_, lanes.data()), error, step,
              move_y ? step : 0.0f);
}

EqualiserTaps Butterfly::taps() const {
  EqualiserTaps out;
  for (std::size_t i = 0; i < 2; ++i)
    for (std::size_t j = 0; j < 2; ++j)
      for (std::size_t n = 0; n < static_cast<std::size_t>(taps_); ++n) out[i][j].push_back(tap(i, j, n));
  return out;
}

}  // namespace cohlink
