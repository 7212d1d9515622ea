// Discrete Fourier transforms of L points by L/E threads that hold E samples each, exchanged in place through
// shared memory. Every stage is a butterfly on samples turned by powers of ONE phasor: in this form
// (decimation in time) the turning costs two fused operations a butterfly instead of a complex product a
// sample, and a shift of the transform by a fraction of a bin, as the decomposition of a long transform needs
// it, is free.
//
// Places p of a transform in shared memory and registers: a stage of stride P acts on p = hi P E + e P + lo
// (thread s = hi P + lo holds e = 0 ... E - 1), P = L/E, L/E^2, ... until P <= E; the last acts on groups of
// R = P neighbours. A stage turns the digit of time it acts on into a digit of frequency and leaves it there,
// so the spectrum's digits end up in reverse.
#pragma once

#include "sim/signal/propagation/cuda/sample.cuh"

namespace cohlink::cuda {

__host__ COHLINK_DEVICE constexpr int log2_of(int power_of_two) {
  int log = 0;
  while (power_of_two > 1 << log) ++log;
  return log;
}

/// The last digit's radix.
template <int L, int E>
__host__ COHLINK_DEVICE constexpr int last_radix() {
  int p = L / E;
  while (p > E) p /= E;
  return p;
}

/// Digits of `places` = E^j places in reverse order, base E = 2^log_e.
__host__ COHLINK_DEVICE constexpr int reverse_digits(int value, int places, int log_e) {
  int reversed = 0;
  for (; places > 1; places >>= log_e) {
    reversed = (reversed << log_e) | (value & ((1 << log_e) - 1));
    value >>= log_e;
  }
  return reversed;
}

/// Frequency that lies at memory position i of a transform of 2^log_l: register e of thread s is stored at
/// i = e T + s, T = L/E. By shifts alone: every thread of a row pass asks before it can do anything else.
__host__ COHLINK_DEVICE constexpr int frequency_at(int i, int log_l, int log_e) {
  const int log_t = log_l - log_e, s = i & ((1 << log_t) - 1), e = i >> log_t;
  int log_r = log_t;
  while (log_r > log_e) log_r -= log_e;
  const int place = (s << log_e) + e, log_outer = log_l - log_r;
  return reverse_digits(place >> log_r, 1 << log_outer, log_e) + ((place & ((1 << log_r) - 1)) << log_outer);
}

// ---- butterflies of R points in natural order, in and out; kSign is the exponent's.

/// exp(kSign 2 pi i j/16), j = 0 ... 3.
template <int kSign, class Real>
COHLINK_DEVICE constexpr Phasor<Real> sixteenth(int j) {
  constexpr double c[4] = {1.0, 0.92387953251128675613, 0.70710678118654752440, 0.38268343236508977173};
  constexpr double s[4] = {0.0, 0.38268343236508977173, 0.70710678118654752440, 0.92387953251128675613};
  return {static_cast<Real>(c[j]), static_cast<Real>(kSign * s[j])};
}

/// (a, b) -> (a + w b, a - w b).
template <class Piece, class Real>
COHLINK_DEVICE void butterfly(Piece& a, Piece& b, Phasor<Real> w) {
  const Piece sum = add_product(a, w, b);
  b = reflect(a, sum);
  a = sum;
}
template <class Piece>
COHLINK_DEVICE void butterfly(Piece& a, Piece& b) {
  const Piece difference = a - b;
  a = a + b;
  b = difference;
}

// One level of decimation in time: joins pairs of transforms of kHalf points into transforms of 2 kHalf.
// Output j of the transform of the samples r, r + R/kHalf, ... lies at j R/kHalf + r. `w` turns the odd one
// of a pair, and is 1 unless kTurned; the phasors of the upper half are those of the lower times i.
template <int R, int kHalf, int kSign, bool kTurned, class Piece, class Real>
COHLINK_DEVICE void join(Piece* v, Phasor<Real> w) {
  constexpr int kStep = R / (2 * kHalf);
  Piece joined[R];
#pragma unroll
  for (int j = 0; j < kHalf; ++j) {
    const bool upper = kHalf > 1 && j >= kHalf / 2;
    const int sixteenths = (upper ? j - kHalf / 2 : j) * (8 / kHalf);
    const Phasor<Real> constant = sixteenth<kSign, Real>(sixteenths);
    const Phasor<Real> turn = !kTurned ? constant : sixteenths == 0 ? w : w * constant;
#pragma unroll
    for (int r = 0; r < kStep; ++r) {
      Piece a = v[2 * j * kStep + r], b = v[2 * j * kStep + kStep + r];
      if (upper) b = times_i<kSign>(b);
      if (kTurned || sixteenths != 0)
        butterfly(a, b, turn);
      else
        butterfly(a, b);
      joined[j * kStep + r] = a;
      joined[(j + kHalf) * kStep + r] = b;
    }
  }
#pragma unroll
  for (int i = 0; i < R; ++i) v[i] = joined[i];
}

/// v[q] = sum_e v[e] w^e exp(kSign 2 pi i e q/R); w is taken for 1 unless kTurned.
template <int R, int kSign, bool kTurned = true, class Piece, class Real>
COHLINK_DEVICE void dft(Piece* v, Phasor<Real> w) {
  Phasor<Real> w2{}, w4{}, w8{};
  if constexpr (kTurned) w2 = w * w, w4 = w2 * w2, w8 = w4 * w4;
  if constexpr (R >= 2) join<R, 1, kSign, kTurned>(v, R == 2 ? w : R == 4 ? w2 : R == 8 ? w4 : w8);
  if constexpr (R >= 4) join<R, 2, kSign, kTurned>(v, R == 4 ? w : R == 8 ? w2 : w4);
  if constexpr (R >= 8) join<R, 4, kSign, kTurned>(v, R == 8 ? w : w2);
  if constexpr (R >= 16) join<R, 8, kSign, kTurned>(v, w);
}

// ---- whole transforms

/// L points by threads of E samples; W transforms side by side, interleaved in shared memory.
template <int L, int E, int W>
struct Places {
  static constexpr int kThreads = L / E;  // of one transform
  static constexpr int kLast = last_radix<L, E>();
  static constexpr int kLogE = log2_of(E);
  static constexpr bool kPad = W < 8;  // spreads a stage's places over the banks
  static constexpr int kSamples = (L + (kPad ? L / E : 0)) * W;

  COHLINK_DEVICE static constexpr int pad(int p) { return (p + (kPad ? p / E : 0)) * W; }
  /// Where thread s has its register 0 in the stage of stride P; register e lies pad(e P) further.
  template <int P>
  COHLINK_DEVICE static int start(int s) {
    return pad(s / P * (P * E)) + pad(s % P);
  }
  /// Digits of frequency that thread s has found before the stage of stride P, as a number.
  template <int P>
  COHLINK_DEVICE static int found(int s) {
    return reverse_digits(s / P, kThreads / P, kLogE);
  }
  /// Frequency in register e of thread s after a forward transform is frequency(s) + part(e).
  COHLINK_DEVICE static int frequency(int s) { return reverse_digits(s * (E / kLast), L / kLast, kLogE); }
  /// It holds the highest digit: it alone says in which half of the spectrum, and so of which sign, a frequency
  /// is.
  __host__ COHLINK_DEVICE static constexpr int part(int e) {
    const int unsigned_part = e / kLast * (L / (kLast * E)) + L / kLast * (e % kLast);
    return unsigned_part >= L / 2 ? unsigned_part - L : unsigned_part;
  }
};

// Threads that exchange within a warp need no barrier of the block.
template <int kGroup>
COHLINK_DEVICE void exchange_barrier() {
  if constexpr (kGroup <= 32)
    __syncwarp();
  else
    __syncthreads();
}

/// The phasors of every stage of one direction, in the order of strides L/E, L/E^2, ..., and of the last
/// radix.
template <class Real>
struct Turns {
  Phasor<Real> stage[4], last;
};

/// exp(-2 pi i P (K + c/N1)/L) for a forward transform that is shifted by c/N1 of a bin.
template <int L, int E, class Real, int P = L / E, int kStage = 0>
COHLINK_DEVICE void set_forward_turns(Turns<Real>& turns, int s, int c, int log_n1) {
  using Lay = Places<L, E, 1>;
  const int log_n = log_n1 + log2_of(L);
  turns.stage[kStage] = root<Real>(-((Lay::template found<P>(s) << log_n1) + c), log_n - log2_of(P));
  if constexpr (P > E)
    set_forward_turns<L, E, Real, P / E, kStage + 1>(turns, s, c, log_n1);
  else
    turns.last = root<Real>(-((Lay::frequency(s) << log_n1) + c), log_n);
}
/// exp(+2 pi i (lo + b/N2)/(P E)) for an inverse transform that is shifted by b/N2 of a sample.
template <int L, int E, class Real, int P = L / E, int kStage = 0>
COHLINK_DEVICE void set_inverse_turns(Turns<Real>& turns, int s, int b, int log_n2) {
  turns.stage[kStage] = root<Real>((s % P << log_n2) + b, log_n2 + log2_of(P * E));
  if constexpr (P > E)
    set_inverse_turns<L, E, Real, P / E, kStage + 1>(turns, s, b, log_n2);
  else
    turns.last = root<Real>(b, log_n2 + log2_of(P));
}

template <int P, int L, int E, int W, class Piece>
COHLINK_DEVICE void put(const Piece* v, int s, Piece* shared) {
  using Lay = Places<L, E, W>;
  Piece* at = shared + Lay::template start<P>(s);
#pragma unroll
  for (int e = 0; e < E; ++e) at[Lay::pad(e * P)] = v[e];
}
template <int P, int L, int E, int W, class Piece>
COHLINK_DEVICE void get(Piece* v, int s, const Piece* shared) {
  using Lay = Places<L, E, W>;
  const Piece* at = shared + Lay::template start<P>(s);
#pragma unroll
  for (int e = 0; e < E; ++e) v[e] = at[Lay::pad(e * P)];
}

/// Time in, register e of thread s holding sample e L/E + s; frequency out, see Places. kShifted: turns of
/// the first stage are not 1.
template <int L, int E, int W, bool kShifted, int P = L / E, int kStage = 0, class Piece, class Real>
COHLINK_DEVICE void forward(Piece* v, int s, Piece* shared, const Turns<Real>& turns) {
  dft<E, -1, kShifted || kStage != 0>(v, turns.stage[kStage]);
  put<P, L, E, W>(v, s, shared);
  exchange_barrier<P * W>();
  if constexpr (P > E) {
    get<P / E, L, E, W>(v, s, shared);
    forward<L, E, W, kShifted, P / E, kStage + 1>(v, s, shared, turns);
  } else {
    get<1, L, E, W>(v, s, shared);
#pragma unroll
    for (int g = 0; g < E / P; ++g)
      dft<P, -1>(v + g * P, g == 0 ? turns.last : turns.last * root<Real>(-g, log2_of(P * E)));
  }
}

/// The way back, unscaled.
template <int L, int E, int W, bool kShifted, int P = L / E, int kStage = 0, class Piece, class Real>
COHLINK_DEVICE void inverse(Piece* v, int s, Piece* shared, const Turns<Real>& turns) {
  if constexpr (P > E) {
    inverse<L, E, W, kShifted, P / E, kStage + 1>(v, s, shared, turns);
    put<P / E, L, E, W>(v, s, shared);
  } else {
#pragma unroll
    for (int g = 0; g < E / P; ++g) dft<P, 1, kShifted>(v + g * P, turns.last);
    put<1, L, E, W>(v, s, shared);
  }
  exchange_barrier<P * W>();
  get<P, L, E, W>(v, s, shared);
  dft<E, 1>(v, turns.stage[kStage]);
}

}  // namespace cohlink::cuda
