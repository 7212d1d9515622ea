#include "sim/signal/propagation/cpu/layout.h"

#include <algorithm>
#include <cmath>

#include "sim/signal/units.h"

namespace cohlink::propagation_detail {
namespace {

template <class Real>
void apply_filter(const OpticalFilter& filter, Rows<Real> rows, std::size_t n, kernels::BinRun bins,
                  double bin_width) {
  for (std::size_t j = 0; j < n; ++j) {
    const auto h = static_cast<Real>(
        filter_response(filter, (bins.first + bins.stride * static_cast<double>(j)) * bin_width));
    rows.x[j] *= h;
    rows.y[j] *= h;
  }
}

// The amplitude along equally spaced bins between two points of the table is a geometric progression.
template <class Real>
void apply_gain(const SpectralGain& gain, Rows<Real> rows, std::size_t n, kernels::BinRun bins,
                double bin_width) {
  const double step = bins.stride * bin_width, last = static_cast<double>(gain.log_gain.size() - 1);
  for (std::size_t j = 0; j < n;) {
    const double frequency = bins.first * bin_width + step * static_cast<double>(j);
    const double place = (frequency - gain.first) / gain.spacing;
    double end = static_cast<double>(n), ratio = 1.0;  // of this stretch of the table, in bins
    if (place < last) {
      const double next = place < 0.0 ? 0.0 : std::floor(place) + 1.0;
      const double run = std::floor((next - place) * gain.spacing / step) + 1.0;
      end = std::min(end, static_cast<double>(j) + run);
      const auto i = static_cast<std::size_t>(next);
      if (place >= 0.0)
        ratio = std::exp(0.5 * (gain.log_gain[i] - gain.log_gain[i - 1]) * step / gain.spacing);
    }
    double amplitude = std::exp(0.5 * log_gain(gain, frequency));
    for (const auto stop = static_cast<std::size_t>(end); j < stop; ++j, amplitude *= ratio) {
      const auto h = static_cast<Real>(amplitude);
      rows.x[j] *= h;
      rows.y[j] *= h;
    }
  }
}

// All spectral work of a pass on a run of equally spaced bins. The first section carries the chirp along.
template <class Real>
void apply(const LinearPass& pass, Rows<Real> rows, std::size_t n, kernels::BinRun bins, double bin_width) {
  const kernels::Kernels<Real>& kernel = kernels::best_kernels<Real>();
  bool chirped = !pass.chirp;
  for (const SpectralWork& work : pass.work) {
    if (const auto* section = std::get_if<SectionWork>(&work)) {
      kernel.section(rows.x, rows.y, n, bins, chirped ? kernels::PhasePolynomial{} : pass.phase,
                     section->turns, chirped ? section->matrix : pass.amplitude * section->matrix);
      chirped = true;
    }
    if (const auto* filter = std::get_if<OpticalFilter>(&work))
      apply_filter(*filter, rows, n, bins, bin_width);
    if (const auto* gain = std::get_if<SpectralGain>(&work)) apply_gain(*gain, rows, n, bins, bin_width);
  }
  if (!chirped) kernel.chirp(rows.x, rows.y, n, bins, pass.phase, pass.amplitude);
}

// `count` samples in the order of time, from sample `first` on.
template <class Real, class Turning>
void apply_turning(const Turning& turning, Rows<Real> rows, std::size_t first, std::size_t count,
                   double rate) {
  for (std::size_t i = 0; i < count; ++i) {
    const JonesMatrix m = turn_at(turning, static_cast<double>(first + i) / rate);
    const std::complex<double> ax(rows.x[i]), ay(rows.y[i]);
    rows.x[i] = std::complex<Real>(m.xx * ax + m.xy * ay);
    rows.y[i] = std::complex<Real>(m.yx * ax + m.yy * ay);
  }
}

constexpr std::size_t kChunk =
    512;  // bins whose two rows stay in a first-level cache through all work of a pass

}  // namespace

template <class Real>
NaturalLayout<Real>::NaturalLayout(const Execution& execution, std::size_t n, double rate)
    : n_(n), rate_(rate), fft_(&execution.ffts().get<Real>(n)) {}

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
    apply<Real>(pass, {rows.x + k, rows.y + k}, end - k, {first, 1.0}, width);
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
template <class Turning>
void NaturalLayout<Real>::turn(Rows<Real> rows, const Turning& turning) {
  apply_turning(turning, rows, 0, n_, rate_);
}

template <class Real>
Rows<Real> NaturalLayout<Real>::spare() {
  spare_.resize(2 * n_);
  return {spare_.data(), spare_.data() + n_};
}

TwoPassShape two_pass_shape(std::size_t n, std::size_t sample_bytes) {
  constexpr std::size_t kLongestRow = 32768;  // bytes; measured: rows are best within a first-level cache
  TwoPassShape shape;
  for (const std::size_t n1 : {16u, 64u, 256u, 1024u}) {
    if (n % (16 * n1) != 0) break;
    shape = {n1, n / n1};
    if (shape.n2 * sample_bytes <= kLongestRow) break;
  }
  return shape;
}

template <class Real>
TwoPassLayout<Real>::TwoPassLayout(const Execution& execution, std::size_t n, double rate, TwoPassShape shape)
    : execution_(execution),
      n_(n),
      rate_(rate),
      shape_(shape),
      stride_(shape.n2 + 128 / sizeof(std::complex<Real>)),
      row_fft_(&execution.ffts().get<Real>(shape.n2)),
      work_(2 * extent()) {}

template <class Real>
Rows<Real> TwoPassLayout<Real>::enter(Rows<Real> field) {
  field_ = field;
  const Rows<Real> rows{work_.data(), work_.data() + extent()};
  for_runs([&](std::size_t at, std::size_t from, std::size_t count) {
    std::copy_n(field.x + from, count, rows.x + at);
    std::copy_n(field.y + from, count, rows.y + at);
  });
  columns(rows, false);
  return rows;
}

template <class Real>
void TwoPassLayout<Real>::leave(Rows<Real> field) {
  const Rows<Real> rows{work_.data(), work_.data() + extent()};
  columns(rows, true);
  for_runs([&](std::size_t at, std::size_t to, std::size_t count) {
    std::copy_n(rows.x + at, count, field.x + to);
    std::copy_n(rows.y + at, count, field.y + to);
  });
}

template <class Real>
void TwoPassLayout<Real>::columns(Rows<Real> rows, bool inverse) {
  for (std::complex<Real>* row : {rows.x, rows.y})
    kernels::best_kernels<Real>().columns(row, shape_.n1, stride_, shape_.n2, inverse);
}

template <class Real>
void TwoPassLayout<Real>::kerr(Rows<Real> rows, const KerrPass& pass) {
  constexpr std::size_t kTogether = 512;  // columns, of 1024 rows at most: some milliseconds
  for (std::size_t j = 0; j < shape_.n2; j += kTogether) {
    execution_.check();
    kernels::best_kernels<Real>().kerr_columns(rows.x + j, rows.y + j, shape_.n1, stride_,
                                               std::min(kTogether, shape_.n2 - j), pass.turns_per_watt);
  }
}

template <class Real>
template <class Turning>
void TwoPassLayout<Real>::turn(Rows<Real> rows, const Turning& turning) {
  columns(rows, true);
  for_runs([&](std::size_t at, std::size_t first, std::size_t count) {
    apply_turning<Real>(turning, {rows.x + at, rows.y + at}, first, count, rate_);
  });
  columns(rows, false);
}

template <class Real>
void TwoPassLayout<Real>::linear(Rows<Real> rows, const LinearPass& pass) {
  const kernels::Kernels<Real>& kernel = kernels::best_kernels<Real>();
  const auto [n1, n2] = shape_;
  const double n = static_cast<double>(n_), width = rate_ / n, stride = static_cast<double>(n1);
  const std::size_t half = n2 / 2;  // places from here on hold negative frequencies (n2 is even)
  for (std::size_t r = 0; r < n1; ++r) {
    execution_.check();
    std::complex<Real>*const x = rows.x + r * stride_, *const y = rows.y + r * stride_;
    const double column = static_cast<double>(column_of(r));
    if (pass.forward) {
      kernel.twiddle(x, y, n2, -column / n);
      row_fft_->forward(x);
      row_fft_->forward(y);
    }
    apply<Real>(pass, {x, y}, half, {column, stride}, width);
    apply<Real>(pass, {x + half, y + half}, n2 - half,
                {column + stride * static_cast<double>(half) - n, stride}, width);
    if (pass.inverse) {
      row_fft_->inverse(x);
      row_fft_->inverse(y);
      kernel.twiddle(x, y, n2, column / n);
    }
  }
}

template class NaturalLayout<float>;
template class NaturalLayout<double>;
template class TwoPassLayout<float>;
template class TwoPassLayout<double>;

template void NaturalLayout<float>::turn(Rows<float>, const PolarisationRotation&);
template void NaturalLayout<float>::turn(Rows<float>, const PolarisationTrack&);
template void NaturalLayout<double>::turn(Rows<double>, const PolarisationRotation&);
template void NaturalLayout<double>::turn(Rows<double>, const PolarisationTrack&);
template void TwoPassLayout<float>::turn(Rows<float>, const PolarisationRotation&);
template void TwoPassLayout<float>::turn(Rows<float>, const PolarisationTrack&);
template void TwoPassLayout<double>::turn(Rows<double>, const PolarisationRotation&);
template void TwoPassLayout<double>::turn(Rows<double>, const PolarisationTrack&);

}  // namespace cohlink::propagation_detail
