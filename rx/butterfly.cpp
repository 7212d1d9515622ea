#include "rx/butterfly.h"

#include <algorithm>
#include <cmath>

namespace cohlink {

ButterflyInput::ButterflyInput(const Field<float>& signal, int taps, std::size_t first, std::size_t last)
    : symbols_((signal.size() + 1) / 2), pad_(static_cast<std::size_t>(taps) / 4 + 1) {
  double power = 0.0;
  for (std::size_t n = 2 * first; n < std::min(2 * last, signal.size()); ++n)
    power += std::norm(signal.x[n]) + std::norm(signal.y[n]);
  const double count = static_cast<double>(std::max<std::size_t>(1, 4 * (last - first)));
  const auto gain = static_cast<float>(power > 0.0 ? 1.0 / std::sqrt(power / count) : 1.0);
  // Padding: the filters' reach on either side, and the last block's part beyond the end.
  const std::size_t length = symbols_ + 2 * pad_ + ButterflyBlock::kSize;
  for (std::size_t j = 0; j < 2; ++j) {
    for (std::size_t odd = 0; odd < 2; ++odd) {
      re_[j][odd].assign(length, 0.0f);
      im_[j][odd].assign(length, 0.0f);
    }
    const ComplexRow<float>& row = *signal.rows()[j];
    for (std::size_t n = 0; n < row.size(); ++n) {
      re_[j][n & 1][pad_ + n / 2] = gain * row[n].real();
      im_[j][n & 1][pad_ + n / 2] = gain * row[n].imag();
    }
  }
}

Butterfly::Butterfly(int taps) : taps_(taps) {
  for (auto* part : {&re_, &im_})
    for (auto& output : *part)
      for (auto& filter : output) filter.assign(static_cast<std::size_t>(taps), 0.0f);
}

void Butterfly::set_centre(std::size_t output, std::complex<float> from_x, std::complex<float> from_y) {
  const auto centre = static_cast<std::size_t>(taps_ / 2);
  const std::complex<float> from[] = {from_x, from_y};
  for (std::size_t j = 0; j < 2; ++j) {
    std::fill(re_[output][j].begin(), re_[output][j].end(), 0.0f);
    std::fill(im_[output][j].begin(), im_[output][j].end(), 0.0f);
    re_[output][j][centre] = from[j].real();
    im_[output][j][centre] = from[j].imag();
  }
}

void Butterfly::make_y_orthogonal_to_x() {
  const auto taps = static_cast<std::size_t>(taps_);
  for (std::size_t n = 0; n < taps; ++n) {
    const std::size_t mirror = taps - 1 - n;
    re_[1][0][n] = -re_[0][1][mirror];
    im_[1][0][n] = im_[0][1][mirror];
    re_[1][1][n] = re_[0][0][mirror];
    im_[1][1][n] = -im_[0][0][mirror];
  }
}

void Butterfly::filter(const ButterflyInput& in, std::size_t k, ButterflyBlock& out) const {
  constexpr std::size_t m = ButterflyBlock::kSize;
  for (std::size_t i = 0; i < 2; ++i) {
    alignas(64) float yr[m] = {}, yi[m] = {};
    for (std::size_t j = 0; j < 2; ++j)
      for (int n = 0; n < taps_; ++n) {
        const float *xr = in.re(j, k, n - taps_ / 2), *xi = in.im(j, k, n - taps_ / 2);
        const float wr = re_[i][j][static_cast<std::size_t>(n)], wi = im_[i][j][static_cast<std::size_t>(n)];
        for (std::size_t s = 0; s < m; ++s) {
          yr[s] += wr * xr[s] - wi * xi[s];
          yi[s] += wr * xi[s] + wi * xr[s];
        }
      }
    std::copy_n(yr, m, out.re[i]);
    std::copy_n(yi, m, out.im[i]);
  }
}

void Butterfly::adapt(const ButterflyInput& in, std::size_t k, const ButterflyBlock& error, float step,
                      bool move_y) {
  constexpr std::size_t m = ButterflyBlock::kSize, v = 8;  // v partial sums: a vector register
  for (std::size_t i = 0; i < (move_y ? 2u : 1u); ++i)
    for (std::size_t j = 0; j < 2; ++j)
      for (int n = 0; n < taps_; ++n) {
        const float *xr = in.re(j, k, n - taps_ / 2), *xi = in.im(j, k, n - taps_ / 2);
        const float *er = error.re[i], *ei = error.im[i];
        float gr[v] = {}, gi[v] = {};
        for (std::size_t s = 0; s < m; s += v)
          for (std::size_t l = 0; l < v; ++l) {
            gr[l] += er[s + l] * xr[s + l] + ei[s + l] * xi[s + l];
            gi[l] += ei[s + l] * xr[s + l] - er[s + l] * xi[s + l];
          }
        float sum_r = 0.0f, sum_i = 0.0f;
        for (std::size_t l = 0; l < v; ++l) sum_r += gr[l], sum_i += gi[l];
        re_[i][j][static_cast<std::size_t>(n)] += step * sum_r;
        im_[i][j][static_cast<std::size_t>(n)] += step * sum_i;
      }
}

EqualiserTaps Butterfly::taps() const {
  EqualiserTaps taps;
  for (std::size_t i = 0; i < 2; ++i)
    for (std::size_t j = 0; j < 2; ++j)
      for (std::size_t n = 0; n < re_[i][j].size(); ++n) taps[i][j].emplace_back(re_[i][j][n], im_[i][j][n]);
  return taps;
}

}  // namespace cohlink
