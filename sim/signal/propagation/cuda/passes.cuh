// The two kernels of a split step on fields of n = N1 x N2 samples, sample t = N2 a + b in row a and column
// b. Between them a field rests half transformed: columns done, so that the row kernel needs rows only (the
// rest of the forward transform, work on the spectrum, the way back) and the column kernel columns only
// (the rest of the inverse transform, Kerr rotation, forward). Digits of frequency stay in reverse order
// (transform.cuh). The twiddle factors between rows and columns are shifts of the row transform by a
// fraction of a bin on the way there, and of the column transform by a fraction of a sample on the way back.
#pragma once

#include "sim/signal/propagation/cuda/forms.h"
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

/// Length of rows, samples a thread, threads a block, blocks a multiprocessor at least, and what the kernel
/// is made for. Of a few links every thread's chain of instructions is waited for, so that there are many
/// threads with little each, and all that needs no samples is computed before the kernel before has ended. Of
/// many links all units are busy anyway, and registers are what lacks.
template <int kLength, int kElements, int kBlock, int kResident, Purpose kPurpose>
struct Shape {
  static constexpr int kL = kLength, kE = kElements, kThreads = kBlock, kBlocks = kResident;
  static constexpr bool kAhead = kPurpose == Purpose::kFewLinks;
  static constexpr bool kTurnsAhead = kAhead || kElements < 16;  // registers hold those of both directions
  template <class Real>
  static constexpr bool kSplit = kAhead || std::is_same_v<Real, double>;  // samples by polarisation
  template <class Real>
  static constexpr int kHolders = kSplit<Real> ? 2 : 1;  // threads that hold a sample
  template <class Real>
  static constexpr int kTogether = kBlock / (kLength / kElements * kHolders<Real>);  // transforms in a block
  template <class Real>
  using Held = Piece<Real, kSplit<Real>>;
};

// Blocks that fill the device once would all read, then all compute, then all write: those of a multiprocessor
// take turns, so that one's arithmetic hides the next one's reading. Where its warps run tells a block its turn;
// nothing but time depends on that.
template <class Form>
COHLINK_DEVICE void take_turns(int stagger) {
  if (Form::kAhead || stagger == 0) return;  // blocks of a few links are many to a multiprocessor
  unsigned warp;
  asm volatile("mov.u32 %0, %%warpid;" : "=r"(warp));
  const unsigned wait = warp / (Form::kThreads / 32) % Form::kBlocks * static_cast<unsigned>(stagger);
  const auto start = static_cast<unsigned>(clock());
  while (static_cast<unsigned>(clock()) - start < wait) {
  }
}

extern __shared__ float4 shared_memory[];

// Phasors make(argument(0)) and make(argument(1)) of two samples. Where two threads hold a sample and both
// need both, each computes one.
template <bool kSplit, class Real, class Argument, class Make>
COHLINK_DEVICE void two_phasors(Phasor<Real>* w, const Argument& argument, const Make& make) {
  if constexpr (kSplit) {
    const Phasor<Real> own = make(holds_y() ? argument(1) : argument(0)), other = neighbours(own);
    w[0] = holds_y() ? other : own;
    w[1] = holds_y() ? own : other;
  } else {
    w[0] = make(argument(0));
    w[1] = make(argument(1));
  }
}

/// Signed bins of the registers of thread s in the row of frequency c.
template <class Lay>
struct Bins {
  double first, n1;
  COHLINK_DEVICE Bins(int s, int c, int log_n1)
      : first(c + (Lay::frequency(s) << log_n1)), n1(1 << log_n1) {}
  COHLINK_DEVICE double operator[](int e) const {
    return fma(n1, static_cast<double>(Lay::part(e)), first);
  }
};

template <bool kSplit, int E, class Lay, class Real>
COHLINK_DEVICE void set_chirp(Phasor<Real>* w, const Bins<Lay>& bins, const RowPass<Real>& pass) {
  const auto amplitude = static_cast<Real>(pass.amplitude);
#pragma unroll
  for (int e = 0; e < E; e += 2) {
    two_phasors<kSplit>(
        w + e, [&](int i) { return bins[e + i]; },
        [&](double k) { return chirp(pass.chirp[0], pass.chirp[1], k, amplitude); });
  }
}

// All sections from the given one on. Rolled up: most steps have one section or none, and code that does not
// fit the instruction cache costs more.
template <bool kSplit, int E, class Real>
COHLINK_DEVICE void sections(Piece<Real, kSplit>* v, double first, const RowPass<Real>& pass, int from) {
#pragma unroll 1
  for (int i = from; i < pass.sections; ++i) {
    const Section<Real>& section = pass.section[i];
    const Mixer<Real, kSplit> mixer(section, first);
#pragma unroll
    for (int e = 0; e < E; ++e) v[e] = mixer(mixer.turned(v[e], section.of_part[e]));
  }
}

// Kerr rotation by the power of both polarisations.
template <bool kSplit, int E, class Real>
COHLINK_DEVICE void rotate(Piece<Real, kSplit>* v, Real turns_per_watt) {
#pragma unroll
  for (int e = 0; e < E; e += 2) {
    Real power_of[2] = {power(v[e]), power(v[e + 1])};
    if constexpr (kSplit) {
      // Of the sample whose phasor this thread computes.
      const Real other = neighbours(holds_y() ? power_of[0] : power_of[1]);
      power_of[0] += other;
      power_of[1] += other;
    }
    Phasor<Real> w[2];
    two_phasors<kSplit>(
        w, [&](int i) { return power_of[i]; }, [&](Real of) { return phasor_of_turns(turns_per_watt, of); });
    v[e] = v[e] * w[0];
    v[e + 1] = v[e + 1] * w[1];
  }
}

/// What a row kernel can do. The less, the better a compiler mixes what remains.
enum class Rows { kChirp, kSections, kAny };  // both transforms and a chirp; sections too; what the pass says

template <class Real, class Form, Rows kRows>
__global__ void __launch_bounds__(Form::kThreads, Form::kBlocks)
    row_kernel(const __grid_constant__ RowPass<Real> pass) {
  constexpr int L = Form::kL, E = Form::kE, T = L / E, W = Form::template kHolders<Real>;
  constexpr bool kSplit = Form::template kSplit<Real>;
  using Lay = Places<L, E, W>;
  using Held = typename Form::template Held<Real>;
  const int holder = threadIdx.x % W, s = threadIdx.x / W % T, group = threadIdx.x / (W * T);
  const int r = blockIdx.x * Form::template kTogether<Real> + group;
  const int c = frequency_at(r, pass.log_n1, pass.log_e1);
  const Bins<Lay> bins(s, c, pass.log_n1);
  auto* shared = reinterpret_cast<Held*>(shared_memory) + group * Lay::kSamples + holder;
  Turns<Real> there, back;
  constexpr bool kThrough = kRows != Rows::kAny;
  // Also where two blocks a multiprocessor take turns: phases that are ready spare both a wait.
  constexpr bool kChirpAhead = Form::kAhead || (kRows == Rows::kSections && L > 2048 && !kSplit);
  const int count = kRows == Rows::kChirp ? 0 : pass.sections;
  Phasor<Real> chirp[E];
  set_forward_turns<L, E>(there, s, c, pass.log_n1);
  if (Form::kTurnsAhead) set_inverse_turns<L, E>(back, s, 0, 0);
  if (kChirpAhead) set_chirp<kSplit, E>(chirp, bins, pass);
  Mixer<Real, kSplit> first_section;
  if constexpr (Form::kAhead) {
    if (count > 0) {
      first_section = {pass.section[0], bins.first};
#pragma unroll
      for (int e = 0; e < E; ++e) chirp[e] = first_section.turned(chirp[e], pass.section[0].of_part[e]);
    }
  }
  await_previous_kernel();
  take_turns<Form>(pass.stagger);
  Held* row = reinterpret_cast<Held*>(pass.field) +
              (((static_cast<std::size_t>(blockIdx.y) << pass.log_n1) + r) * L + s) * W + holder;
  Held v[E];
#pragma unroll
  for (int e = 0; e < E; ++e) v[e] = load(row + e * T * W);
  if (kThrough || pass.forward) forward<L, E, W, true>(v, s, shared, there);
  if (!kChirpAhead) set_chirp<kSplit, E>(chirp, bins, pass);
#pragma unroll
  for (int e = 0; e < E; ++e) v[e] = v[e] * chirp[e];
  if constexpr (Form::kAhead) {
    if (count > 0) {
#pragma unroll
      for (int e = 0; e < E; ++e) v[e] = first_section(v[e]);
    }
    // Out of the way of the instructions that most steps fetch.
    if (__builtin_expect(count > 1, 0)) sections<kSplit, E>(v, bins.first, pass, 1);
  } else if (count > 0) {
    sections<kSplit, E>(v, bins.first, pass, 0);
  }
  if (!Form::kTurnsAhead) set_inverse_turns<L, E>(back, s, 0, 0);
  if (kThrough || pass.inverse) inverse<L, E, W, false>(v, s, shared, back);
#pragma unroll
  for (int e = 0; e < E; ++e) store(row + e * T * W, v[e]);
}

/// Inverse, Kerr rotation, forward; or, for the ends of a stay on the device, one of the transforms alone.
template <class Real, class Form, bool kKerr>
__global__ void __launch_bounds__(Form::kThreads, Form::kBlocks)
    column_kernel(const __grid_constant__ ColumnPass<Real> pass) {
  constexpr int kHolders = Form::template kHolders<Real>;
  constexpr int L = Form::kL, E = Form::kE, T = L / E, W = Form::template kTogether<Real> * kHolders;
  using Held = typename Form::template Held<Real>;
  const int column = threadIdx.x % W, s = threadIdx.x / W, b = blockIdx.x * W + column;  // of pieces
  auto* shared = reinterpret_cast<Held*>(shared_memory) + column;
  Turns<Real> there, back;
  if (Form::kTurnsAhead) set_forward_turns<L, E>(there, s, 0, 0);
  set_inverse_turns<L, E>(back, s, b / kHolders, pass.log_n2);
  await_previous_kernel();
  take_turns<Form>(pass.stagger);
  const std::size_t row = static_cast<std::size_t>(kHolders) << pass.log_n2, stride = T * row;
  Held* first =
      reinterpret_cast<Held*>(pass.field) + (static_cast<std::size_t>(blockIdx.y) * L + s) * row + b;
  Held v[E];
#pragma unroll
  for (int e = 0; e < E; ++e) v[e] = load(first + e * stride);
  if (kKerr || pass.leave) inverse<L, E, W, true>(v, s, shared, back);
  if constexpr (kKerr) rotate<Form::template kSplit<Real>, E>(v, pass.turns_per_watt);
  if (!Form::kTurnsAhead) set_forward_turns<L, E>(there, s, 0, 0);
  if (kKerr || !pass.leave) forward<L, E, W, false>(v, s, shared, there);
#pragma unroll
  for (int e = 0; e < E; ++e) store(first + e * stride, v[e]);
}

}  // namespace cohlink::cuda
