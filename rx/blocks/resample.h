// From the ADC's rate to a whole number of samples a symbol.
#pragma once

#include "rx/stage/cost.h"
#include "sim/signal/execution/execution.h"
#include "sim/signal/field.h"

namespace cohlink {

struct Block;
struct BlockSetting;

struct ResamplerParameters {
  double output_rate = 64e9;   // Hz
  double band_edge = 17.6e9;   // signal's one-sided bandwidth [Hz]: passed flat
  double offset_margin = 4e9;  // carrier offset kept flat where the rates leave room [Hz]
  double rejection_db = 80.0;  // of images and aliases that would fall on the signal
  int longest_filter = 256;    // taps, input samples (times the rate ratio when reducing the rate)
};

/// Polyphase windowed-sinc interpolation (Kaiser window) at any ratio of rates. Output sample n is at time
/// n / output_rate, input sample n at n / input rate: no delay. Ratios p/q with q up to 512 use exactly q
/// phases; others interpolate linearly between 512. Equal rates pass through untouched.
/// R. E. Crochiere and L. R. Rabiner, Multirate Digital Signal Processing (1983); J. F. Kaiser's window
/// formula for length against rejection and transition width.
class Resampler {
 public:
  /// std::invalid_argument for a rate or band edge that is not positive.
  explicit Resampler(const ResamplerParameters& parameters, Execution execution = {});

  /// Both rows; beyond the ends the input counts as zero.
  Field<float> operator()(const Field<float>& signal) const;

  /// Time from each end of the capture within which the output misses input [s].
  double edge(double input_rate) const;

  /// Of one output sample, both rows; nothing at equal rates.
  Operations cost(double input_rate) const;

 private:
  struct Design;
  Design design(double input_rate) const;
  ResamplerParameters p_;
  Execution execution_;
};

/// As a block of the chain.
Block resample_block(const BlockSetting& setting);

}  // namespace cohlink
