#include "sim/fibre/layout.h"

#include <algorithm>
#include <cstring>
#include <stdexcept>

#include "sim/signal/units.h"

namespace cohlink::fibre_detail {
namespace {

template <class Real>
struct Planner;
template <>
struct Planner<double> {
  using Plan = fftw_plan;
  using Complex = fftw_complex;
  static constexpr auto plan = fftw_plan_many_dft;
  static constexpr auto execute = fftw_execute_dft;
  static constexpr auto destroy = fftw_destroy_plan;
};
template <>
struct Planner<float> {
  using Plan = fftwf_plan;
  using Complex = fftwf_complex;
  static constexpr auto plan = fftwf_plan_many_dft;
  static constexpr auto execute = fftwf_execute_dft;
  static constexpr auto destroy = fftwf_destroy_plan;
};

template <class Real>
void execute(void* plan, std::complex<Real>* data) {
  auto* raw = reinterpret_cast<typename Planner<Real>::Complex*>(data);
  Planner<Real>::execute(static_cast<typename Planner<Real>::Plan>(plan), raw, raw);
}

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

// Rotates `n` consecutive samples, the first of which is sample `first` of the field.
template <class Real>
void apply_rotation(const PolarisationRotation& rotation, std::complex<Real>* x, std::complex<Real>* y,
                    std::size_t n, std::size_t first, double rate) {
  for (std::size_t i = 0; i < n; ++i) {
    const double time = static_cast<double>(first + i) / rate + rotation.start;
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
InterleavedFft<Real>::InterleavedFft(std::size_t n, std::size_t count) {
  ComplexRow<Real> scratch(n * count);
  auto* raw = reinterpret_cast<typename Planner<Real>::Complex*>(scratch.data());
  const int length = static_cast<int>(n), stride = static_cast<int>(count);
  FftPlannerLock lock;
  const auto plan = [&](int sign) {
    return Planner<Real>::plan(1, &length, stride, raw, nullptr, stride, 1, raw, nullptr, stride, 1, sign,
                               FFTW_MEASURE);
  };
  forward_ = plan(FFTW_FORWARD);
  inverse_ = plan(FFTW_BACKWARD);
  if (forward_ == nullptr || inverse_ == nullptr) throw std::runtime_error("FFTW could not plan");
}

template <class Real>
InterleavedFft<Real>::~InterleavedFft() {
  FftPlannerLock lock;
  for (void* plan : {forward_, inverse_}) {
    if (plan != nullptr) Planner<Real>::destroy(static_cast<typename Planner<Real>::Plan>(plan));
  }
}

template <class Real>
void InterleavedFft<Real>::forward(std::complex<Real>* data) const {
  execute<Real>(forward_, data);
}
template <class Real>
void InterleavedFft<Real>::inverse(std::complex<Real>* data) const {
  execute<Real>(inverse_, data);
}

template <class Real>
const InterleavedFft<Real>& ColumnPlans<Real>::get(std::size_t n, std::size_t count) {
  std::lock_guard guard(mutex_);
  auto& slot = plans_[{n, count}];
  if (slot == nullptr) slot = std::make_unique<InterleavedFft<Real>>(n, count);
  return *slot;
}

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
  apply_rotation(pass.rotation, rows.x, rows.y, n_, 0, rate_);
}

TwoPassShape two_pass_shape(std::size_t n, std::size_t sample_bytes) {
  // Measured: short columns are best as long as a row fits in the second-level cache, in blocks of 512 bytes
  // a row, or of 32 samples where longer columns fill the cache by themselves.
  const auto longest = [n] {
    if (n >= std::size_t{1} << 21) return 256;
    if (n >= std::size_t{1} << 19) return 128;
    if (n >= std::size_t{1} << 17) return 64;
    return n >= std::size_t{1} << 16 ? 32 : 16;
  };
  for (std::size_t n1 = longest(); n1 >= 4; n1 /= 2) {
    const std::size_t block = n1 >= 128 ? 32 : 512 / sample_bytes;
    if (n % (n1 * block) == 0) return {n1, n / n1, block};
  }
  return {};
}

template <class Real>
TwoPassLayout<Real>::TwoPassLayout(FftCache& ffts, ColumnPlans<Real>& columns, std::size_t n, double rate,
                                   TwoPassShape shape)
    : n_(n),
      rate_(rate),
      shape_(shape),
      row_fft_(&ffts.get<Real>(shape.n2)),
      column_fft_(&columns.get(shape.n1, shape.block)),
      block_x_(shape.n1 * shape.block),
      block_y_(shape.n1 * shape.block),
      twiddle_(shape.n2) {}

// Asks for the cache lines of the next block while this one's are being written beside them: no hardware
// prefetcher sees the pattern, and a long field would wait for memory at every row.
inline void prefetch(const void* start, std::size_t bytes) {
#if defined(__GNUC__)
  const char* p = static_cast<const char*>(start);
  for (std::size_t line = 0; line < bytes; line += 64) __builtin_prefetch(p + line, 1, 2);
#else
  (void)start, (void)bytes;
#endif
}

// Copies a block of columns out, works on it in cache, copies it back.
template <class Real>
template <class Work>
void TwoPassLayout<Real>::columns(Rows<Real> rows, const Work& work) {
  const auto [n1, n2, block] = shape_;
  const std::size_t bytes = block * sizeof(std::complex<Real>);
  for (std::size_t b = 0; b < n2; b += block) {
    for (std::size_t a = 0; a < n1; ++a) {
      std::memcpy(static_cast<void*>(&block_x_[a * block]), rows.x + a * n2 + b, bytes);
      std::memcpy(static_cast<void*>(&block_y_[a * block]), rows.y + a * n2 + b, bytes);
    }
    work(block_x_.data(), block_y_.data(), b);
    for (std::size_t a = 0; a < n1; ++a) {
      std::memcpy(static_cast<void*>(rows.x + a * n2 + b), &block_x_[a * block], bytes);
      std::memcpy(static_cast<void*>(rows.y + a * n2 + b), &block_y_[a * block], bytes);
      if (b + block < n2) {
        prefetch(rows.x + a * n2 + b + block, bytes);
        prefetch(rows.y + a * n2 + b + block, bytes);
      }
    }
  }
}

template <class Real>
void TwoPassLayout<Real>::enter(Rows<Real> rows) {
  columns(rows, [&](std::complex<Real>* x, std::complex<Real>* y, std::size_t) {
    column_fft_->forward(x);
    column_fft_->forward(y);
  });
}

template <class Real>
void TwoPassLayout<Real>::leave(Rows<Real> rows) {
  columns(rows, [&](std::complex<Real>* x, std::complex<Real>* y, std::size_t) {
    column_fft_->inverse(x);
    column_fft_->inverse(y);
  });
}

template <class Real>
void TwoPassLayout<Real>::kerr(Rows<Real> rows, const KerrPass& pass) {
  const kernels::Kernels<Real>& kernel = kernels::best_kernels<Real>();
  const std::size_t count = shape_.n1 * shape_.block;
  columns(rows, [&](std::complex<Real>* x, std::complex<Real>* y, std::size_t) {
    column_fft_->inverse(x);
    column_fft_->inverse(y);
    kernel.kerr(x, y, count, pass.turns_per_watt);
    column_fft_->forward(x);
    column_fft_->forward(y);
  });
}

template <class Real>
void TwoPassLayout<Real>::rotate(Rows<Real> rows, const RotationPass& pass) {
  const auto [n1, n2, block] = shape_;
  columns(rows, [&](std::complex<Real>* x, std::complex<Real>* y, std::size_t b) {
    column_fft_->inverse(x);
    column_fft_->inverse(y);
    for (std::size_t a = 0; a < n1; ++a) {
      apply_rotation(pass.rotation, x + a * block, y + a * block, block, a * n2 + b, rate_);
    }
    column_fft_->forward(x);
    column_fft_->forward(y);
  });
}

template <class Real>
void TwoPassLayout<Real>::linear(Rows<Real> rows, const LinearPass& pass) {
  const kernels::Kernels<Real>& kernel = kernels::best_kernels<Real>();
  const auto [n1, n2, block] = shape_;
  const double width = rate_ / static_cast<double>(n_), n = static_cast<double>(n_);
  const std::size_t half = n2 / 2;  // places from here on hold negative frequencies (n2 is even)
  for (std::size_t c = 0; c < n1; ++c) {
    std::complex<Real>* const pair[2] = {rows.x + c * n2, rows.y + c * n2};
    const double first = static_cast<double>(c), stride = static_cast<double>(n1);
    kernel.phasors(twiddle_.data(), n2, {0.0, 1.0}, {-first / n, 0.0, 0.0});
    if (pass.forward) {
      kernel.multiply(pair[0], pair[1], twiddle_.data(), n2);
      row_fft_->forward(pair[0]);
      row_fft_->forward(pair[1]);
    }
    apply(pass, pair[0], pair[1], half, {first, stride}, width);
    apply(pass, pair[0] + half, pair[1] + half, n2 - half,
          {first + stride * static_cast<double>(half) - n, stride}, width);
    if (pass.inverse) {
      row_fft_->inverse(pair[0]);
      row_fft_->inverse(pair[1]);
      kernel.multiply_conjugate(pair[0], pair[1], twiddle_.data(), n2);
    }
  }
}

template class InterleavedFft<float>;
template class InterleavedFft<double>;
template class ColumnPlans<float>;
template class ColumnPlans<double>;
template class NaturalLayout<float>;
template class NaturalLayout<double>;
template class TwoPassLayout<float>;
template class TwoPassLayout<double>;

}  // namespace cohlink::fibre_detail
