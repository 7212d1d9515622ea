#include "sim/frontend/cuda/detection_passes.h"

#include "sim/signal/propagation/cuda/check.h"
#include "sim/signal/propagation/cuda/noise.cuh"
#include "sim/signal/propagation/cuda/sums.cuh"

namespace cohlink::cuda {
namespace {

constexpr double kTurn = 6.283185307179586476925286766559;

// A thread a number: body(i), i < count.
template <class Body>
__global__ void each(int count, Body body) {
  const int i = static_cast<int>(blockIdx.x) * kBlock + static_cast<int>(threadIdx.x);
  if (i < count) body(i);
}
template <class Body>
void run(int count, const Body& body, cudaStream_t stream) {
  each<<<static_cast<unsigned>((count + kBlock - 1) / kBlock), kBlock, 0, stream>>>(count, body);
  check(cudaGetLastError());
}

// Four sums over i < count: body(i, sums) adds to them. A block a part.
template <class Body>
__global__ void add_to_parts(int count, Body body, double* parts) {
  double sums[4] = {};
  for (int i = static_cast<int>(blockIdx.x * kBlock + threadIdx.x); i < count; i += kSumBlocks * kBlock)
    body(i, sums);
  for (int s = 0; s < 4; ++s) {
    const double sum = block_sum(sums[s]);
    if (threadIdx.x == 0) parts[s * kSumBlocks + blockIdx.x] = sum;
  }
}
template <class Body>
void sum(int count, const Body& body, double* parts, double* sums, cudaStream_t stream) {
  add_to_parts<<<kSumBlocks, kBlock, 0, stream>>>(count, body, parts);
  add_parts<<<4, kBlock, 0, stream>>>(parts, sums);
  check(cudaGetLastError());
}

COHLINK_DEVICE Complex phasor(double angle) {
  double s, c;
  sincos(angle, &s, &c);
  return {c, s};
}
COHLINK_DEVICE Complex of(const double (&z)[2]) { return {z[0], z[1]}; }
COHLINK_DEVICE double signed_bin(int k, int n) { return static_cast<double>(2 * k < n ? k : k - n); }

// Normal number i of a stream (random.h): two a word, four a block.
COHLINK_DEVICE double normal(Key key, std::uint64_t i) {
  const std::uint64_t block = i / 4;
  const uint4 words =
      philox({static_cast<std::uint32_t>(block), static_cast<std::uint32_t>(block >> 32), 0, 0},
             {key.low, key.high});
  const Complex pair =
      i % 4 < 2 ? complex_normal<double>(words.x, words.y) : complex_normal<double>(words.z, words.w);
  return 1.41421356237309504880 * (i % 2 == 0 ? pair.c : pair.s);
}

template <class Real>
struct Widen {
  Complex* to;
  const Real* rows;
  COHLINK_DEVICE void operator()(int i) const { to[i] = {rows[2 * i], rows[2 * i + 1]}; }
};

struct Retune {
  Complex* to;
  const Complex* from;
  int n;
  TunePass pass;
  COHLINK_DEVICE void operator()(int i) const {
    const int row = i / n, k = i - row * n, moved = k + pass.shift < n ? k + pass.shift : k + pass.shift - n;
    const Complex turn = phasor(kTurn * (pass.turns * signed_bin(k, n)));
    to[i] = (1.0 / n) * (turn * from[row * n + moved]);
  }
};

struct Products {
  const Complex *x, *y;
  COHLINK_DEVICE void operator()(int i, double* sums) const {
    const Complex a = x[i], b = y[i];
    sums[0] += power(a);
    sums[1] += power(b);
    sums[2] += a.c * b.c + a.s * b.s;
    sums[3] += a.s * b.c - a.c * b.s;
  }
};

struct Receive {
  Complex* light;
  int n;
  ReceivePass pass;
  COHLINK_DEVICE void operator()(int t) const {
    Complex x = pass.amplitude * (pass.scale * light[t]), y = pass.amplitude * (pass.scale * light[n + t]);
    if (pass.sigma > 0.0) {
      const Sample<double> noise =
          complex_normals<double>({pass.key.low, pass.key.high}, static_cast<std::uint32_t>(t));
      x = x + pass.sigma * Complex{noise.xr, noise.xi};
      y = y + pass.sigma * Complex{noise.yr, noise.yi};
    }
    light[t] = x;
    light[n + t] = y;
  }
};

struct Detect {
  DetectPass pass;

  // Currents of a balanced pair, and their noise (photodiodes.h).
  COHLINK_DEVICE double difference(const DiodePass& d, double plus, double minus) const {
    return d.responsivity * ((1.0 + d.mismatch) * plus - (1.0 - d.mismatch) * minus);
  }
  COHLINK_DEVICE double noise(const DiodePass& d, double plus, double minus, std::uint64_t number) const {
    double sum = 0.0;
    if (d.shot_scale > 0.0) {
      const double on_both = (1.0 + d.mismatch) * plus + (1.0 - d.mismatch) * minus;
      sum += d.shot_scale * sqrt(on_both + d.dark) * normal(pass.shot, number);
    }
    if (d.thermal_sigma > 0.0) sum += d.thermal_sigma * normal(pass.thermal, number);
    return sum;
  }
  COHLINK_DEVICE void operator()(int t) const {
    Complex wave = phasor(pass.phase[t] + pass.turn * t);
    if (pass.relative_power != nullptr) wave = sqrt(pass.relative_power[t]) * wave;
    const Complex x = pass.light[t], y = pass.light[pass.n + t];
    for (int p = 0; p < 2; ++p) {
      const DiodePass& d = pass.pol[p];
      const Complex signal = of(d.from_x) * x + of(d.from_y) * y;
      double on[4];
      for (int k = 0; k < 4; ++k) on[k] = power(of(d.of_signal[k]) * signal + of(d.of_oscillator[k]) * wave);
      // In a frame of n samples lane l has numbers l n to (l + 1) n - 1.
      const std::uint64_t first = 2 * static_cast<std::uint64_t>(p) * pass.n + t;
      d.currents[t] = {difference(d, on[0], on[1]) + noise(d, on[0], on[1], first),
                       difference(d, on[2], on[3]) + noise(d, on[2], on[3], first + pass.n)};
      const double minus = d.responsivity * (1.0 - d.mismatch);
      if (d.minus != nullptr) d.minus[t] = {minus * on[1], minus * on[3]};
    }
  }
};

struct Add {
  Complex* to;
  const Complex* from;
  double factor;
  COHLINK_DEVICE void operator()(int i) const { to[i] = to[i] + factor * from[i]; }
};

COHLINK_DEVICE Complex quotient(Complex a, Complex b) { return (1.0 / power(b)) * (a * conjugate(b)); }

COHLINK_DEVICE Complex response(const LaneResponse& r, int k) {
  const double f = r.bin * k;
  Complex h{1.0, 0.0};
  if (r.delay != 0.0) h = phasor(-(kTurn * f) * r.delay);
  if (r.order > 0) {
    const double w = r.scale * f;
    Complex sum{0.0, 0.0};
    for (int c = r.order; c >= 0; --c) sum = sum * Complex{0.0, w} + Complex{r.coefficients[c], 0.0};
    h = h * quotient(r.coefficients[0] * phasor(w), sum);
  }
  if (r.low_cutoff > 0.0) h = h * quotient({0.0, f}, {r.low_cutoff, f});
  return h;
}

// The spectra of the lanes are the hermitian and anti-hermitian parts of the row's (lanes.cpp).
struct FilterLanes {
  Complex* row;
  int n;
  LaneResponse of_i, of_q;
  COHLINK_DEVICE void operator()(int k) const {
    const int mirror = k > 0 ? n - k : 0;
    // The bin in the middle stands below zero.
    const int bin = 2 * k < n ? k : k - n;
    const Complex here = row[k], there = conjugate(row[mirror]);
    const double half = 0.5 / n;
    const Complex i = half * ((here + there) * response(of_i, bin)),
                  q = half * ((here - there) * response(of_q, bin));
    row[k] = i + q;
    if (mirror != k) row[mirror] = conjugate(i - q);
  }
};

struct Squares {
  const Complex *x, *y;
  COHLINK_DEVICE void operator()(int i, double* sums) const {
    sums[0] += x[i].c * x[i].c;
    sums[1] += x[i].s * x[i].s;
    sums[2] += y[i].c * y[i].c;
    sums[3] += y[i].s * y[i].s;
  }
};

struct SoftLimit {
  Complex* row;
  double limit_i, limit_q;
  COHLINK_DEVICE static double limited(double x, double limit) {
    const double u = x / limit;
    return x / sqrt(sqrt(1.0 + u * u * u * u));
  }
  COHLINK_DEVICE void operator()(int t) const {
    row[t] = {limited(row[t].c, limit_i), limited(row[t].s, limit_q)};
  }
};

struct Rewire {
  Complex* to;
  const Complex* from;
  int n;
  Wiring wiring;
  COHLINK_DEVICE double lane(int source, int t) const {
    const Complex z = from[source / 2 * n + t];
    return source % 2 == 0 ? z.c : z.s;
  }
  COHLINK_DEVICE void operator()(int t) const {
    to[t] = {lane(wiring.source[0], t), lane(wiring.source[1], t)};
    to[n + t] = {lane(wiring.source[2], t), lane(wiring.source[3], t)};
  }
};

struct Fold {
  RowsOnCard to, from;
  BandPass band;
  COHLINK_DEVICE void operator()(int i) const {
    const int n = from.n, m = to.n;
    const int row = i / m, place = i - row * m;
    const Complex* bins = from.at + static_cast<std::size_t>(row) * n;
    Complex sum{0.0, 0.0};
    for (int k = place; k < band.above; k += m) sum = sum + bins[k];
    // Bin -d lies at place m - d, once around for every m.
    for (int d = m - place; d <= band.below; d += m) sum = sum + bins[n - d];
    to.at[i] = (1.0 / n) * sum;
  }
};

struct Pad {
  RowsOnCard to, from;
  BandPass band;
  COHLINK_DEVICE void operator()(int i) const {
    const int n = from.n;
    const int row = i / (2 * n), k = i - row * 2 * n;
    const Complex* bins = from.at + static_cast<std::size_t>(row) * n;
    Complex v{0.0, 0.0};
    if (k < band.above) v = (1.0 / n) * bins[k];
    if (k >= 2 * n - band.below) v = (1.0 / n) * bins[k - n];
    to.at[i] = v;
  }
};

// interpolate.cpp.
struct Interpolate {
  LanesOnCard to;
  RowsOnCard dense;
  const double* weights;
  ClockPass clock;

  COHLINK_DEVICE double position(int lane, int k) const {
    if (clock.grid) return k * clock.spacing;
    const double t = (k + clock.clock_phase) / clock.rate;
    double instant = t - clock.skew[lane] + clock.timing[lane * clock.subs + k % clock.subs];
    if (clock.sine > 0.0) instant += clock.sine * sin(clock.sine_turn * t + clock.sine_start);
    if (clock.jitter > 0.0)
      instant += clock.jitter * normal(clock.key, static_cast<std::uint64_t>(lane) * to.m + k);
    return instant * clock.input_rate;
  }
  COHLINK_DEVICE void operator()(int i) const {
    const int lane = i / to.m, k = i - lane * to.m, length = dense.n;
    const double place = 2.0 * position(lane, k), base = floor(place);
    const double phase = (place - base) * kPhases;
    const int low = min(static_cast<int>(phase), kPhases - 1);
    const double mix = phase - low;
    const double *a = weights + low * kTaps, *b = a + kTaps;
    long long first = (static_cast<long long>(base) - kTaps / 2 + 1) % length;
    if (first < 0) first += length;
    const Complex* row = dense.at + static_cast<std::size_t>(lane / 2) * length;
    double sum = 0.0;
    for (int tap = 0; tap < kTaps; ++tap) {
      const Complex z = row[(first + tap) % length];
      sum += (a[tap] + mix * (b[tap] - a[tap])) * (lane % 2 == 0 ? z.c : z.s);
    }
    to.at[i] = sum;
  }
};

struct SplitLanes {
  LanesOnCard to;
  RowsOnCard from;
  COHLINK_DEVICE void operator()(int i) const {
    const int lane = i / to.m, k = i - lane * to.m;
    const Complex z = from.at[lane / 2 * to.m + k];
    to.at[i] = lane % 2 == 0 ? z.c : z.s;
  }
};

struct SampleSquares {
  LanesOnCard of;
  COHLINK_DEVICE void operator()(int i, double* sums) const {
    for (int lane = 0; lane < 4; ++lane) sums[lane] += of.at[lane * of.m + i] * of.at[lane * of.m + i];
  }
};

struct Quantise {
  LanesOnCard samples;
  QuantisePass pass;
  COHLINK_DEVICE void operator()(int i) const {
    const int lane = i / samples.m, k = i - lane * samples.m, sub = lane * pass.subs + k % pass.subs;
    double x = samples.at[i] * pass.gain[sub] + pass.offset[sub];
    if (pass.noise > 0.0) x += pass.noise * normal(pass.key, static_cast<std::uint64_t>(i));
    const double code = rint(x), kept = fmin(fmax(code, -pass.full_scale), pass.full_scale - 1.0);
    if (code != kept) atomicAdd(pass.clipped, 1ull);
    pass.codes[i] = static_cast<std::int16_t>(kept);
  }
};

}  // namespace

template <class Real>
void widen(Complex* to, const Real* rows, int n, cudaStream_t stream) {
  run(2 * n, Widen<Real>{to, rows}, stream);
}
template void widen<float>(Complex*, const float*, int, cudaStream_t);
template void widen<double>(Complex*, const double*, int, cudaStream_t);

void retune(Complex* to, const Complex* from, int n, const TunePass& pass, cudaStream_t stream) {
  run(2 * n, Retune{to, from, n, pass}, stream);
}
void sum_coherency(const Complex* light, int n, double* parts, double* sums, cudaStream_t stream) {
  sum(n, Products{light, light + n}, parts, sums, stream);
}
void receive(Complex* light, int n, const ReceivePass& pass, cudaStream_t stream) {
  run(n, Receive{light, n, pass}, stream);
}
void photocurrents(const DetectPass& pass, cudaStream_t stream) { run(pass.n, Detect{pass}, stream); }
void add(Complex* to, const Complex* from, double factor, int n, cudaStream_t stream) {
  run(n, Add{to, from, factor}, stream);
}
void filter_lanes(Complex* spectrum, int n, const LaneResponse& of_i, const LaneResponse& of_q,
                  cudaStream_t stream) {
  run(n / 2 + 1, FilterLanes{spectrum, n, of_i, of_q}, stream);
}
void sum_lanes(const Complex* rows, int n, double* parts, double* sums, cudaStream_t stream) {
  sum(n, Squares{rows, rows + n}, parts, sums, stream);
}
void soft_limit(Complex* row, int n, double limit_i, double limit_q, cudaStream_t stream) {
  run(n, SoftLimit{row, limit_i, limit_q}, stream);
}
void rewire(Complex* to, const Complex* from, int n, const Wiring& wiring, cudaStream_t stream) {
  run(n, Rewire{to, from, n, wiring}, stream);
}
void fold(RowsOnCard to, RowsOnCard from, const BandPass& band, cudaStream_t stream) {
  run(2 * to.n, Fold{to, from, band}, stream);
}
void pad(RowsOnCard to, RowsOnCard from, const BandPass& band, cudaStream_t stream) {
  run(2 * to.n, Pad{to, from, band}, stream);
}
void interpolate(LanesOnCard to, RowsOnCard dense, const double* weights, const ClockPass& clock,
                 cudaStream_t stream) {
  run(4 * to.m, Interpolate{to, dense, weights, clock}, stream);
}
void split_lanes(LanesOnCard to, RowsOnCard from, cudaStream_t stream) {
  run(4 * to.m, SplitLanes{to, from}, stream);
}
void sum_samples(LanesOnCard samples, double* parts, double* sums, cudaStream_t stream) {
  sum(samples.m, SampleSquares{samples}, parts, sums, stream);
}
void quantise(LanesOnCard samples, const QuantisePass& pass, cudaStream_t stream) {
  run(4 * samples.m, Quantise{samples, pass}, stream);
}

}  // namespace cohlink::cuda
