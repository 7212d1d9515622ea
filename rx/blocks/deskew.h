// Lanes that arrive at different times, brought together; and how far apart they are, from the signal alone.
#pragma once

#include <array>
#include <cstddef>

#include "rx/blocks/coarse_frequency.h"
#include "rx/blocks/dispersion.h"
#include "rx/blocks/interpolator.h"
#include "rx/blocks/resample.h"
#include "sim/signal/execution/fft.h"
#include "sim/signal/field.h"
#include "sim/signal/pulse.h"

namespace cohlink {

struct Block;
struct BlockSetting;

struct DeskewParameters {
  std::array<double, 4> skew = {0, 0, 0, 0};  // s, lanes XI XQ YI YQ: later than they should be
  double band_edge = 21.6e9;  // one-sided bandwidth of the lanes, carrier offset included [Hz]
};

/// Reads each lane where it should have been: windowed-sinc interpolation at t + skew (interpolator.h). Any
/// length of skew; lanes without one pass untouched. Skew between I and Q puts an image sin^2(pi f skew) of
/// the signal onto it, which no 2x2 complex filter can take off; skew between X and Y is only a delay to one.
class Deskew {
 public:
  explicit Deskew(const DeskewParameters& parameters) : p_(parameters) {}

  /// Both rows at the ADC's rate, before anything that mixes I and Q. Same length.
  Field<float> operator()(Field<float> signal) const;

  /// Time from each end of the capture within which the output misses input [s].
  double edge(double sample_rate) const;

  /// Length of a moved lane's filter [samples].
  std::size_t taps(double sample_rate) const { return interpolator(sample_rate).taps(); }

 private:
  Interpolator interpolator(double sample_rate) const;
  DeskewParameters p_;
};

struct SkewEstimate {
  std::array<double, 2> iq_skew = {0, 0};  // s, of X and Y: Q later than I
  double coherence = 0.0;                  // of the tones it comes from; found above kSkewLock
  bool found() const;
};
inline constexpr double kSkewLock = 0.3;

struct SkewEstimatorParameters {
  PulseShape pulse;
  double beta2_length = 0.0;                   // s^2, of the path, to be undone before a tone can be seen
  std::size_t longest = std::size_t{1} << 17;  // symbols used
};

/// Blind I/Q skew from the clock tones of the single lanes. Lane I of a row r is (r + r~)/2, lane Q
/// (r - r~)/(2i), r~ the conjugate row, each with the lane's delay; a lane treated like a complex signal,
/// carrier offset and dispersion taken off, keeps r's clock tone (clock_tone.h) while r~ is dispersed twice
/// and becomes noise (or, without dispersion, adds the same tone). Between lanes k at f and l at f - R the
/// tone has the phase -(pi R)(tau_k + tau_l) beside the path's own, which is the same for I and Q. So the
/// ratios
///   Q_i Q_j / I_i I_j turn by -(pi R)(s_i + s_j),   Q_i I_j / I_i Q_j by pi -(pi R)(s_i - s_j),
/// s_i the skew of row i; weighted least squares over rows i, j. The off-diagonal terms serve where a
/// differential delay of half a symbol has extinguished the diagonal ones. Range: +-half a symbol.
/// Skew between X and Y cannot be told from the fibre's differential delay and is left to the equaliser.
/// Own derivation from D. N. Godard, IEEE Trans. Commun. 26(5) 517 (1978).
class SkewEstimator {
 public:
  SkewEstimator(const SkewEstimatorParameters& parameters, const Execution& execution);

  /// `signal` at the ADC's rate, as read. Not found for a row shorter than kBlock samples at two a symbol.
  SkewEstimate operator()(const Field<float>& signal) const;

  static constexpr std::size_t kBlock = 8192;

 private:
  Field<float> prepared(const Field<float>& lanes, double offset) const;

  SkewEstimatorParameters p_;
  Execution execution_;
  Resampler resampler_;
  CoarseFrequencyEstimator frequency_;
  DispersionEqualiser dispersion_;
};

/// As a block of the chain: dsp.deskew, dsp.skew_*_ps.
Block deskew_block(const BlockSetting& setting);

}  // namespace cohlink
