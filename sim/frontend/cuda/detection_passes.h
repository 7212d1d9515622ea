// The front end's work on one frame, sample by sample, in double precision: what the host's sources of the
// same names say of one polarisation or lane, for all samples at once. Everything is queued on a stream.
#pragma once

#include <cuda_runtime.h>

#include <cstddef>
#include <cstdint>

#include "sim/signal/propagation/cuda/arguments.h"

namespace cohlink::cuda {

using Complex = Phasor<double>;

/// Of a random stream: number i is normal number first + i of it.
struct Key {
  std::uint32_t low = 0, high = 0;
};

/// X and Y, n samples each, of rows as light lies on the card between stages.
template <class Real>
void widen(Complex* to, const Real* rows, int n, cudaStream_t stream);

/// Bins moved down by `shift`, and later by turns x bin (tune_to of the comb): between transforms, 1/n
/// included.
struct TunePass {
  int shift = 0;
  double turns = 0.0;
};
void retune(Complex* to, const Complex* from, int n, const TunePass& pass, cudaStream_t stream);

/// Sums of |x|^2, |y|^2, Re x y* and Im x y* into sums[4]. `parts`: 4 x kSumBlocks, of all sums here.
void sum_coherency(const Complex* light, int n, double* parts, double* sums, cudaStream_t stream);

/// v -> amplitude (scale v) + sigma (complex normal of the sample), X and Y.
struct ReceivePass {
  double scale = 1.0, amplitude = 1.0, sigma = 0.0;
  Key key;
};
void receive(Complex* light, int n, const ReceivePass& pass, cudaStream_t stream);

/// One polarisation's hybrid and diodes (frontend.cpp): fields at the diodes i+ i- q+ q- of a unit of either.
struct DiodePass {
  double from_x[2] = {}, from_y[2] = {};  ///< of the splitter
  double of_signal[4][2] = {}, of_oscillator[4][2] = {};
  double responsivity = 0.0, mismatch = 0.0, shot_scale = 0.0, dark = 0.0, thermal_sigma = 0.0;
  Complex *currents = nullptr,
          *minus = nullptr;  ///< minus: of the minus diodes alone, without noise, or none
};
struct DetectPass {
  const Complex* light = nullptr;
  const double *phase = nullptr, *relative_power = nullptr;  ///< of the oscillator; no power: 1 throughout
  double turn = 0.0;                                         ///< rad a sample
  int n = 0;
  Key shot, thermal;
  DiodePass pol[2];
};
void photocurrents(const DetectPass& pass, cudaStream_t stream);

/// to += factor from.
void add(Complex* to, const Complex* from, double factor, int n, cudaStream_t stream);

/// A lane's response at bin k: delay, Bessel path (bessel.h) and AC coupling, each where there is one.
struct LaneResponse {
  static constexpr int kMostCoefficients = 11;
  double bin = 0.0;    ///< Hz
  double delay = 0.0;  ///< s
  int order = 0;       ///< 0: no Bessel path
  double coefficients[kMostCoefficients] = {}, scale = 0.0;
  double low_cutoff = 0.0;  ///< Hz; 0: none
};
/// On a row's spectrum of n bins, 1/n included.
void filter_lanes(Complex* spectrum, int n, const LaneResponse& of_i, const LaneResponse& of_q,
                  cudaStream_t stream);

/// Sums of the squares of XI XQ YI YQ into sums[4]: of rows X and Y of n complex samples.
void sum_lanes(const Complex* rows, int n, double* parts, double* sums, cudaStream_t stream);

void soft_limit(Complex* row, int n, double limit_i, double limit_q, cudaStream_t stream);

/// Lane l of the rows at `to` is lane source[l] of those at `from`.
struct Wiring {
  int source[4] = {0, 1, 2, 3};
};
void rewire(Complex* to, const Complex* from, int n, const Wiring& wiring, cudaStream_t stream);

/// Of rows X and Y of n bins those in the band, `above` from bin 0 up and `below` below it, divided by n:
/// folded into m bins, or moved apart into 2n for interpolation.
struct RowsOnCard {
  Complex* at = nullptr;
  int n = 0;
};
struct BandPass {
  int above = 0, below = 0;
};
void fold(RowsOnCard to, RowsOnCard from, const BandPass& band, cudaStream_t stream);
void pad(RowsOnCard to, RowsOnCard from, const BandPass& band, cudaStream_t stream);

/// When sample k of a lane is taken (adc.cpp), in samples of the input: k spacing where all lanes share one
/// grid.
struct ClockPass {
  bool grid = false;
  double spacing = 0.0;
  double clock_phase = 0.0, rate = 0.0, input_rate = 0.0;  ///< of the clock, its offset included [Hz]
  double skew[4] = {};
  double sine = 0.0, sine_turn = 0.0, sine_start = 0.0;  ///< s, rad/s, rad
  double jitter = 0.0;
  Key key;
  const double* timing = nullptr;  ///< [4][subs]
  int subs = 1;
};
/// XI XQ YI YQ, [4][m].
struct LanesOnCard {
  double* at = nullptr;
  int m = 0;
};
/// Weights of an instant's neighbours, and the phases between two samples that they are tabled for
/// (interpolate.h).
constexpr int kTaps = 24, kPhases = 4096;

/// Of padded rows, by those weights; or the parts of rows of m.
void interpolate(LanesOnCard to, RowsOnCard dense, const double* weights, const ClockPass& clock,
                 cudaStream_t stream);
void split_lanes(LanesOnCard to, RowsOnCard from, cudaStream_t stream);

/// Sums of the squares of each lane into sums[4].
void sum_samples(LanesOnCard samples, double* parts, double* sums, cudaStream_t stream);

/// From currents to codes, and how many were clipped (added).
struct QuantisePass {
  const double *gain = nullptr, *offset = nullptr;  ///< [4][subs]
  int subs = 1;
  double full_scale = 128.0, noise = 0.0;  ///< in codes
  Key key;
  std::int16_t* codes = nullptr;  ///< [4][m]
  unsigned long long* clipped = nullptr;
};
void quantise(LanesOnCard samples, const QuantisePass& pass, cudaStream_t stream);

}  // namespace cohlink::cuda
