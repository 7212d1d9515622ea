#include "sim/signal/propagation/layout.h"

#include <algorithm>

#include "sim/signal/units.h"

namespace cohlink::propagation_detail {
namespace {

template <class Real>
void apply_filter(const OpticalFilter& filter, std::complex<Real>* x, std::complex<Real>* y, std::size_t n,
                  kernels::BinRun bins, double bin_width) {
  for (std::size_t j = 0; j < n; ++j) {
    const auto h = static_cast<Real>(
        filter_response(filter, (bins.first + bins.stride * static_cast<double>(j)) * bin_width));
    x[j] *= h;
    y[j] *= h;
  }
}

// All spectral work of a pass on a run of equally spaced bins.
template <class Real>
void apply(const LinearPass& pass, std::complex<Real>* x, std::complex<Real>* y, std::size_t n,
           kernels::BinRun bins, double bin_width) {
  const kernels::Kernels<Real>& kernel = kernels::best_kernels<Real>();
  if (pass.chirp) kernel.chirp(x, y, n, bins, pass.phase, pass.amplitude);
  for (const SpectralWork& work : pass.work) {
    if (const auto* section = std::get_if<SectionWork>(&work))
      kernel.section(x, y, n, bins, section->turns, section->matrix);
    if (const auto* filter = std::get_if<OpticalFilter>(&work))
      apply_filter(*filter, x, y, n, bins, bin_width);
  }
}

// A whole field in the order of time.
template <class Real>
void apply_rotation(const PolarisationRotation& rotation, std::complex<Real>* x, std::complex<Real>* y,
                    std::size_t n, double rate) {
  for (std::size_t i = 0; i < n; ++i) {
    const double time = static_cast<double>(i) / rate + rotation.start;
    const JonesMatrix m = stokes_rotation(rotation.axis, rotation.rate * time);
    const std::complex<double> ax(x[i]), ay(y[i]);
    x[i] = std::complex<Real>(m.xx * ax + m.xy * ay);
    y[i] = std::complex<Real>(m.yx * ax + m.yy * ay);
  }
}

constexpr std::size_t kChunk =
    512;  // bins whose two rows stay in a first-level cache through all work of a pass

}  // namespace

template <class Real>
NaturalLayout<Real>::NaturalLayout(FftCache& ffts, std::size_t n, double rate)
    : n_(n), rate_(rate), fft_(&ffts.get<Real>(n)) {}

template <class Real>
void NaturalLayout<Real>::linear(Rows<Real> rows, const LinearPass& pass) {
  if (pass.forward) {
    fft_->forward(rows.x);
    fft_->forward(rows.y);
  }
  const double width = rate_ / static_cast<double>(n_);
  const std::size_t positive = (n_ + 1) / 2;
  for (std::size_t k = 0; k < n_;) {
    const std::size_t end = std::min(k + kChunk, k < positive ? positive : n_);
    const double first = static_cast<double>(k) - (k < positive ? 0.0 : static_cast<double>(n_));
    apply(pass, rows.x + k, rows.y + k, end - k, {first, 1.0}, width);
    k = end;
  }
  if (pass.inverse) {
    fft_->inverse(rows.x);
    fft_->inverse(rows.y);
  }
}

template <class Real>
void NaturalLayout<Real>::kerr(Rows<Real> rows, const KerrPass& pass) {
  kernels::best_kernels<Real>().kerr(rows.x, rows.y, n_, pass.turns_per_watt);
}

template <class Real>
void NaturalLayout<Real>::rotate(Rows<Real> rows, const RotationPass& pass) {
  apply_rotation(pass.rotation, rows.x, rows.y, n_, rate_);
}

TwoPassShape two_pass_shape(std::size_t n) {
  // Measured: columns of 16 are best as long as their rows stay near the first-level cache.
  const bool tall = n >= (std::size_t{1} << 17);
  if (tall && n % (256 * 16) == 0) return {256, n / 256};
  if (n % (16 * 16) == 0) return {16, n / 16};
  return {};
}

template <class Real>
TwoPassLayout<Real>::TwoPassLayout(FftCache& ffts, std::size_t n, double rate, TwoPassShape shape)
    : n_(n), rate_(rate), shape_(shape), row_fft_(&ffts.get<Real>(shape.n2)) {
  if (shape.n1 != 16) return;
  twiddle_.assign(n, std::complex<Real>(1));
  ComplexRow<Real> unused(shape.n2);  // the chirp turns two rows alike, these all differ
  for (std::size_t c = 0; c < shape.n1; ++c) {
    const double slope = -static_cast<double>(c) / static_cast<double>(n);
    kernels::best_kernels<Real>().chirp(&twiddle_[c * shape.n2], unused.data(), shape.n2, {0.0, 1.0},
                                        {slope, 0.0, 0.0}, 1.0);
  }
}

template <class Real>
void TwoPassLayout<Real>::columns(Rows<Real> rows, bool inverse) {
  const kernels::Kernels<Real>& kernel = kernels::best_kernels<Real>();
  for (std::complex<Real>* row : {rows.x, rows.y}) {
    if (shape_.n1 == 256)
      kernel.columns256(row, shape_.n2, shape_.n2, inverse);
    else
      kernel.columns16(row, twiddle_.data(), shape_.n2, shape_.n2, inverse);
  }
}

template <class Real>
void TwoPassLayout<Real>::kerr(Rows<Real> rows, const KerrPass& pass) {
  const kernels::Kernels<Real>& kernel = kernels::best_kernels<Real>();
  const std::size_t n2 = shape_.n2;
  if (shape_.n1 == 256)
    kernel.kerr_columns256(rows.x, rows.y, n2, n2, pass.turns_per_watt);
  else
    kernel.kerr_columns16(rows.x, rows.y, twiddle_.data(), n2, n2, pass.turns_per_watt);
}

template <class Real>
void TwoPassLayout<Real>::rotate(Rows<Real> rows, const RotationPass& pass) {
  columns(rows, true);
  apply_rotation(pass.rotation, rows.x, rows.y, n_, rate_);
  columns(rows, false);
}

template <class Real>
void TwoPassLayout<Real>::linear(Rows<Real> rows, const LinearPass& pass) {
  const kernels::Kernels<Real>& kernel = kernels::best_kernels<Real>();
  const auto [n1, n2] = shape_;
  const double width = rate_ / static_cast<double>(n_), n = static_cast<double>(n_);
  const std::size_t half = n2 / 2;  // places from here on hold negative frequencies (n2 is even)
  const bool in_rows = twiddle_.empty();
  for (std::size_t c = 0; c < n1; ++c) {
    std::complex<Real>* const pair[2] = {rows.x + c * n2, rows.y + c * n2};
    const double first = static_cast<double>(digit_reversed(c)), stride = static_cast<double>(n1);
    const kernels::PhasePolynomial twiddle{-first / n, 0.0, 0.0}, untwiddle{first / n, 0.0, 0.0};
    if (pass.forward) {
      if (in_rows) kernel.chirp(pair[0], pair[1], n2, {0.0, 1.0}, twiddle, 1.0);
      row_fft_->forward(pair[0]);
      row_fft_->forward(pair[1]);
    }
    apply(pass, pair[0], pair[1], half, {first, stride}, width);
    apply(pass, pair[0] + half, pair[1] + half, n2 - half,
          {first + stride * static_cast<double>(half) - n, stride}, width);
    if (pass.inverse) {
      row_fft_->inverse(pair[0]);
      row_fft_->inverse(pair[1]);
      if (in_rows) kernel.chirp(pair[0], pair[1], n2, {0.0, 1.0}, untwiddle, 1.0);
    }
  }
}

template class NaturalLayout<float>;
template class NaturalLayout<double>;
template class TwoPassLayout<float>;
template class TwoPassLayout<double>;

}  // namespace cohlink::propagation_detail
