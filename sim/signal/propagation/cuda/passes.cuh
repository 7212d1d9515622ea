// The two kernels of a split step on fields of n = N1 x N2 samples, sample t = N2 a + b in row a and column
// b. Between them a field rests half transformed: columns done, so that the row kernel needs rows only (the
// rest of the forward transform, work on the spectrum, the way back) and the column kernel columns only
// (the rest of the inverse transform, Kerr rotation, forward). Digits of frequency stay in reverse order
// (transform.cuh). The twiddle factors between rows and columns are shifts of the row transform by a
// fraction of a bin on the way there, and of the column transform by a fraction of a sample on the way back.
#pragma once

#include "sim/signal/propagation/cuda/spectral.cuh"
#include "sim/signal/propagation/cuda/transform.cuh"

namespace cohlink::cuda {

// Lets the next kernel start its preamble, and waits until all that the one before wrote can be seen.
COHLINK_DEVICE void await_previous_kernel() {
#if __CUDA_ARCH__ >= 900
  cudaTriggerProgrammaticLaunchCompletion();
  cudaGridDependencySynchronize();
#endif
}

/// Length of rows, samples a thread, threads a block, blocks a multiprocessor at least.
template <int kLength, int kElements, int kBlock, int kResident>
struct Shape {
  static constexpr int kL = kLength, kE = kElements, kThreads = kBlock, kBlocks = kResident;
  static constexpr int kTogether = kBlock / (kLength / kElements);  // transforms in a block
};

extern __shared__ float4 shared_memory[];

// Signed bin of frequency d of n2 in the row of frequency c of n1.
COHLINK_DEVICE int signed_bin(int c, int log_n1, int d, int n2) {
  return c + ((d >= n2 / 2 ? d - n2 : d) << log_n1);
}

// A chirp, then sections.
template <class Real, class Lay, int L, int E>
COHLINK_DEVICE void work_on_row(Sample<Real>* v, int s, int c, const RowPass<Real>& pass) {
  const double k0 = signed_bin(c, pass.log_n1, Lay::frequency(s), 2 * L), n1 = 1 << pass.log_n1;
  // Register e's part holds the highest digit: it alone says in which half of the spectrum a bin is.
  const auto bin = [&](int e) {
    const int part = Lay::part(e);
    return fma(n1, static_cast<double>(part >= L / 2 ? part - L : part), k0);
  };
  const auto amplitude = static_cast<Real>(pass.amplitude);
#pragma unroll
  for (int e = 0; e < E; ++e) v[e] = v[e] * (amplitude * chirp<Real>(pass.chirp[0], pass.chirp[1], bin(e)));
    // Rolled up: most steps have one section or none, and code that does not fit the instruction cache costs
    // more.
#pragma unroll 1
  for (int i = 0; i < pass.sections; ++i) {
#pragma unroll
    for (int e = 0; e < E; ++e) v[e] = section(pass.section[i], bin(e), v[e]);
  }
}

template <class Real, class Form>
__global__ void __launch_bounds__(Form::kThreads, Form::kBlocks)
    row_kernel(const __grid_constant__ RowPass<Real> pass) {
  constexpr int L = Form::kL, E = Form::kE, T = L / E;
  using Lay = Places<L, E, 1>;
  const int s = threadIdx.x % T, group = threadIdx.x / T, r = blockIdx.x * Form::kTogether + group;
  const int c = frequency_at(r, pass.log_n1, pass.log_e1);
  auto* shared = reinterpret_cast<Sample<Real>*>(shared_memory) + group * Lay::kSamples;
  const Turns<Real> there = forward_turns<L, E, Real>(s, c, pass.log_n1);
  const Turns<Real> back = inverse_turns<L, E, Real>(s, 0, 0);
  await_previous_kernel();
  Sample<Real>* row = pass.field + ((static_cast<std::size_t>(blockIdx.y) << pass.log_n1) + r) * L + s;
  Sample<Real> v[E];
#pragma unroll
  for (int e = 0; e < E; ++e) v[e] = load(row + e * T);
  if (pass.forward) forward<L, E, 1, true>(v, s, shared, there);
  work_on_row<Real, Lay, L, E>(v, s, c, pass);
  if (pass.inverse) inverse<L, E, 1, false>(v, s, shared, back);
#pragma unroll
  for (int e = 0; e < E; ++e) store(row + e * T, v[e]);
}

/// Inverse, Kerr rotation, forward; or, for the ends of a stay on the device, one of the transforms alone.
template <class Real, class Form, bool kKerr>
__global__ void __launch_bounds__(Form::kThreads, Form::kBlocks)
    column_kernel(const __grid_constant__ ColumnPass<Real> pass) {
  constexpr int L = Form::kL, E = Form::kE, T = L / E, W = Form::kTogether;
  const int column = threadIdx.x % W, s = threadIdx.x / W, b = blockIdx.x * W + column;
  auto* shared = reinterpret_cast<Sample<Real>*>(shared_memory) + column;
  const Turns<Real> there = forward_turns<L, E, Real>(s, 0, 0);
  const Turns<Real> back = inverse_turns<L, E, Real>(s, b, pass.log_n2);
  await_previous_kernel();
  Sample<Real>* first = pass.field + ((static_cast<std::size_t>(blockIdx.y) * L + s) << pass.log_n2) + b;
  const std::size_t stride = static_cast<std::size_t>(T) << pass.log_n2;
  Sample<Real> v[E];
#pragma unroll
  for (int e = 0; e < E; ++e) v[e] = load(first + e * stride);
  if (kKerr || pass.leave) inverse<L, E, W, true>(v, s, shared, back);
  if constexpr (kKerr) {
#pragma unroll
    for (int e = 0; e < E; ++e) v[e] = v[e] * phasor_of_turns(pass.turns_per_watt * power(v[e]));
  }
  if (kKerr || !pass.leave) forward<L, E, W, false>(v, s, shared, there);
#pragma unroll
  for (int e = 0; e < E; ++e) store(first + e * stride, v[e]);
}

}  // namespace cohlink::cuda
