#include "sim/signal/propagation/cuda/check.h"
#include "sim/signal/propagation/cuda/noise.cuh"
#include "sim/signal/propagation/cuda/pointwise.h"
#include "sim/signal/propagation/cuda/spectral.cuh"
#include "sim/signal/propagation/cuda/sums.cuh"
#include "sim/signal/propagation/cuda/transform.cuh"

namespace cohlink::cuda {
namespace {

template <class Real>
dim3 grid_of(const FieldsOnDevice<Real>& fields) {
  return dim3(static_cast<unsigned>((fields.order.n + kBlock - 1) / kBlock),
              static_cast<unsigned>(fields.links));
}

// Bin, from 0 to n - 1, that lies at place i of a spectrum.
COHLINK_DEVICE int bin_at(const BinOrder& order, int i) {
  if (!order.two_pass) return i;
  const int c = frequency_at(i >> order.log_n2, order.log_n1, order.log_e1);
  const int d = frequency_at(i & ((1 << order.log_n2) - 1), order.log_n2, order.log_e2);
  return c + (d << order.log_n1);
}

// A thread a sample: body(link, place, sample) -> sample.
template <class Real, class Body>
__global__ void each_sample(FieldsOnDevice<Real> fields, Body body) {
  const int i = static_cast<int>(blockIdx.x) * kBlock + static_cast<int>(threadIdx.x);
  if (i >= fields.order.n) return;
  const int link = static_cast<int>(blockIdx.y);
  Sample<Real>* at = fields.samples + static_cast<std::size_t>(link) * fields.order.n + i;
  store(at, body(link, i, load(at)));
}

// And with its bin: body(link, bin, signed bin, sample).
template <class Real, class Body>
struct OnSpectrum {
  BinOrder order;
  Body body;
  COHLINK_DEVICE Sample<Real> operator()(int link, int i, Sample<Real> v) const {
    const int k = bin_at(order, i);
    return body(link, k, static_cast<double>(2 * k < order.n ? k : k - order.n), v);
  }
};

template <class Real, class Body>
void run(const FieldsOnDevice<Real>& fields, const Body& body, cudaStream_t stream) {
  each_sample<<<grid_of(fields), kBlock, 0, stream>>>(fields, body);
  check(cudaGetLastError());
}
template <class Real, class Body>
void run_on_spectrum(const FieldsOnDevice<Real>& fields, const Body& body, cudaStream_t stream) {
  run(fields, OnSpectrum<Real, Body>{fields.order, body}, stream);
}

template <class Real>
struct Amplify {
  GainTable gains;
  int gain;
  COHLINK_DEVICE Sample<Real> operator()(int link, int bin, double, Sample<Real> v) const {
    const GainOnLink g = gains.gains[gain * gains.links + link];
    v = static_cast<Real>(g.amplitude) * v;
    if (g.sigma == 0.0) return v;
    return v + static_cast<Real>(g.sigma) *
                   complex_normals<Real>({g.key[0], g.key[1]}, static_cast<std::uint32_t>(bin));
  }
};

template <class Real>
struct Filter {
  FilterPass filter;
  COHLINK_DEVICE Sample<Real> operator()(int, int, double k, Sample<Real> v) const {
    return static_cast<Real>(transfer(filter, k)) * v;
  }
};

template <class Real>
struct Shape {
  ShapePass shape;
  COHLINK_DEVICE Sample<Real> operator()(int, int, double k, Sample<Real> v) const {
    return static_cast<Real>(amplitude(shape, k)) * v;
  }
};

template <class Real>
struct Linear {
  RowPass<Real> pass;
  COHLINK_DEVICE Sample<Real> operator()(int, int, double k, Sample<Real> v) const {
    v = v * chirp(pass.chirp[0], pass.chirp[1], k, static_cast<Real>(pass.amplitude));
    for (int i = 0; i < pass.sections; ++i)
      v = section(pass.section[i], phasor_of_long_phase(k * pass.section[i].turns, Real(1)), v);
    return v;
  }
};

template <class Real>
struct Kerr {
  Real turns_per_watt;
  COHLINK_DEVICE Sample<Real> operator()(int, int, Sample<Real> v) const {
    return v * phasor_of_turns(turns_per_watt, power(v));
  }
};

// jones.h, stokes_rotation: cos(angle/2) - i sin(angle/2) (axis . sigma).
template <class Real>
struct Rotate {
  Turning pass;
  COHLINK_DEVICE Sample<Real> operator()(int, int i, Sample<Real> v) const {
    double s, c;
    sincos((pass.angle + pass.step * i) / 2.0, &s, &c);
    const auto [a1, a2, a3] = pass.axis;
    const auto real = [](double x) { return static_cast<Real>(x); };
    return mix(Section<Real>{0.0,
                             {real(c), real(-s * a1)},
                             {real(-s * a3), real(-s * a2)},
                             {real(s * a3), real(-s * a2)},
                             {real(c), real(s * a1)}},
               v);
  }
};

template <class Real>
struct Interleave {
  const Real* rows;
  int n;
  COHLINK_DEVICE Sample<Real> operator()(int link, int i, Sample<Real>) const {
    const Real* x = rows + 4 * static_cast<std::size_t>(link) * n + 2 * i;
    const Real* y = x + 2 * static_cast<std::size_t>(n);
    return {x[0], x[1], y[0], y[1]};
  }
};
template <class Real>
struct Separate {
  Real* rows;
  int n;
  COHLINK_DEVICE Sample<Real> operator()(int link, int i, Sample<Real> v) const {
    Real* x = rows + 4 * static_cast<std::size_t>(link) * n + 2 * i;
    Real* y = x + 2 * static_cast<std::size_t>(n);
    x[0] = v.xr, x[1] = v.xi, y[0] = v.yr, y[1] = v.yi;
    return v;
  }
};

// ---- sums, always in the same order

COHLINK_DEVICE double squared(double re, double im) { return re * re + im * im; }
template <class Real>
COHLINK_DEVICE double squared(Sample<Real> v) {
  return squared(v.xr, v.xi) + squared(v.yr, v.yi);
}

template <class Real>
__global__ void sum_power(const Sample<Real>* samples, int n, double* parts) {
  const Sample<Real>* link = samples + static_cast<std::size_t>(blockIdx.y) * n;
  double sum = 0.0;
  for (int i = static_cast<int>(blockIdx.x * kBlock + threadIdx.x); i < n; i += kSumBlocks * kBlock)
    sum += squared(load(link + i));
  sum = block_sum(sum);
  if (threadIdx.x == 0) parts[blockIdx.y * kSumBlocks + blockIdx.x] = sum;
}

template <class Real>
__global__ void sum_difference(const Sample<Real>* fine, const Sample<Real>* coarse, int n, double* parts) {
  double difference = 0.0, whole = 0.0;
  for (int i = static_cast<int>(blockIdx.x * kBlock + threadIdx.x); i < n; i += kSumBlocks * kBlock) {
    const Sample<Real> a = load(fine + i);
    difference += squared(a - load(coarse + i));
    whole += squared(a);
  }
  difference = block_sum(difference);
  whole = block_sum(whole);
  if (threadIdx.x == 0) parts[blockIdx.x] = difference, parts[kSumBlocks + blockIdx.x] = whole;
}

// On a spectrum sum |X|^2 = n^2 mean |x|^2; noise of variance psd x rate a sample has n times that a bin.
__global__ void set_gain(const double* parts, int n, LevelledGain amplifier, GainOnLink* gains) {
  const double sum = sum_of_parts(parts + blockIdx.x * kSumBlocks);
  if (threadIdx.x != 0) return;
  const double g = amplifier.output_power / (sum / n / n);
  const double psd = fmax(0.0, (amplifier.noise_factor * g - 1.0) / 2.0 * amplifier.photon_energy);
  gains[blockIdx.x].amplitude = sqrt(g);
  gains[blockIdx.x].sigma = amplifier.noise_factor > 0.0 ? sqrt(psd * amplifier.rate * n) : 0.0;
}

template <class Real>
struct Extrapolate {
  const Sample<Real>* coarse;
  COHLINK_DEVICE Sample<Real> operator()(int, int i, Sample<Real> fine) const {
    return Real(4) / Real(3) * fine - Real(1) / Real(3) * load(coarse + i);
  }
};

}  // namespace

template <class Real>
void interleave(FieldsOnDevice<Real> to, const Real* rows, cudaStream_t stream) {
  run(to, Interleave<Real>{rows, to.order.n}, stream);
}
template <class Real>
void separate(Real* rows, FieldsOnDevice<Real> from, cudaStream_t stream) {
  run(from, Separate<Real>{rows, from.order.n}, stream);
}
template <class Real>
void amplify(FieldsOnDevice<Real> fields, GainTable gains, int gain, cudaStream_t stream) {
  run_on_spectrum(fields, Amplify<Real>{gains, gain}, stream);
}
template <class Real>
void filter(FieldsOnDevice<Real> fields, const FilterPass& pass, cudaStream_t stream) {
  run_on_spectrum(fields, Filter<Real>{pass}, stream);
}
template <class Real>
void shape(FieldsOnDevice<Real> fields, const ShapePass& pass, cudaStream_t stream) {
  run_on_spectrum(fields, Shape<Real>{pass}, stream);
}
template <class Real>
void linear(FieldsOnDevice<Real> fields, const RowPass<Real>& pass, cudaStream_t stream) {
  run_on_spectrum(fields, Linear<Real>{pass}, stream);
}
template <class Real>
void kerr(FieldsOnDevice<Real> fields, Real turns_per_watt, cudaStream_t stream) {
  run(fields, Kerr<Real>{turns_per_watt}, stream);
}
template <class Real>
void rotate(FieldsOnDevice<Real> fields, const Turning& pass, cudaStream_t stream) {
  run(fields, Rotate<Real>{pass}, stream);
}

template <class Real>
void level(FieldsOnDevice<Real> fields, const LevelledGain& amplifier, GainTable gains, int gain,
           double* parts, cudaStream_t stream) {
  const auto links = static_cast<unsigned>(fields.links);
  sum_power<<<dim3(kSumBlocks, links), kBlock, 0, stream>>>(fields.samples, fields.order.n, parts);
  set_gain<<<links, kBlock, 0, stream>>>(parts, fields.order.n, amplifier, gains.gains + gain * gains.links);
  check(cudaGetLastError());
}

template <class Real>
void compare(const Sample<Real>* fine, const Sample<Real>* coarse, int n, double* sums, double* parts,
             cudaStream_t stream) {
  sum_difference<<<kSumBlocks, kBlock, 0, stream>>>(fine, coarse, n, parts);
  add_parts<<<2, kBlock, 0, stream>>>(parts, sums);
  check(cudaGetLastError());
}

template <class Real>
void extrapolate(Sample<Real>* fine, const Sample<Real>* coarse, int n, cudaStream_t stream) {
  BinOrder order;
  order.n = n;
  run(FieldsOnDevice<Real>{fine, 1, order}, Extrapolate<Real>{coarse}, stream);
}

#define COHLINK_POINTWISE(Real)                                                                 \
  template void interleave<Real>(FieldsOnDevice<Real>, const Real*, cudaStream_t);              \
  template void separate<Real>(Real*, FieldsOnDevice<Real>, cudaStream_t);                      \
  template void amplify<Real>(FieldsOnDevice<Real>, GainTable, int, cudaStream_t);              \
  template void filter<Real>(FieldsOnDevice<Real>, const FilterPass&, cudaStream_t);            \
  template void shape<Real>(FieldsOnDevice<Real>, const ShapePass&, cudaStream_t);              \
  template void linear<Real>(FieldsOnDevice<Real>, const RowPass<Real>&, cudaStream_t);         \
  template void kerr<Real>(FieldsOnDevice<Real>, Real, cudaStream_t);                           \
  template void rotate<Real>(FieldsOnDevice<Real>, const Turning&, cudaStream_t);               \
  template void level<Real>(FieldsOnDevice<Real>, const LevelledGain&, GainTable, int, double*, \
                            cudaStream_t);                                                      \
  template void compare<Real>(const Sample<Real>*, const Sample<Real>*, int, double*, double*,  \
                              cudaStream_t);                                                    \
  template void extrapolate<Real>(Sample<Real>*, const Sample<Real>*, int, cudaStream_t);
COHLINK_POINTWISE(float)
COHLINK_POINTWISE(double)
#undef COHLINK_POINTWISE

}  // namespace cohlink::cuda
