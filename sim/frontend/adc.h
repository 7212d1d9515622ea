// The four-lane analogue-to-digital converter: clock, sampling instants, lane and sub-converter errors,
// quantising.
#pragma once

#include <array>
#include <cstdint>
#include <optional>
#include <vector>

#include "sim/electronics/quantiser.h"
#include "sim/frontend/receiver_electronics.h"
#include "sim/signal/execution/execution.h"
#include "sim/signal/field.h"
#include "sim/signal/random.h"
#include "sim/signal/units.h"

namespace cohlink {

/// A lane made of `count` sub-converters that take turns; errors are standard deviations over them.
struct Interleaving {
  int count = 1;
  double gain = 0.0;    // relative
  double offset = 0.0;  // of full scale
  double timing = 0.0;  // s
};

/// What the inputs XI XQ YI YQ are connected to. An input with no lane has one that no other has, too, whose
/// level sets its scale.
struct AdcWiring {
  std::array<std::size_t, 4> source = {0, 1, 2, 3};  // lanes of the front end, each once
  std::array<double, 4> polarity = {1, 1, 1, 1};     // -1 = inverted, 0 = the lane is not connected
  std::array<double, 4> held = {0, 0, 0, 0};         // of full scale, at which the input is stuck
};

struct AdcParameters {
  double sample_rate = 64e9;      // Hz, what the clock is meant to be and the capture says
  double clock_offset = 0.0;      // relative: the clock runs at sample_rate (1 + clock_offset)
  double clock_phase = 0.0;       // samples: sample 0 is taken that much late
  double jitter = 0.0;            // s rms, random aperture jitter of every sample of every lane
  double sine_jitter = 0.0;       // s peak, of the clock all lanes share
  double sine_jitter_rate = 1e6;  // Hz
  std::array<double, 4> skew = {0.0, 0.0, 0.0, 0.0};  // s, lane later in the codes: it is sampled earlier
  double gain_spread_db = 0.0;                        // rms over the lanes, 20 log10, unknown to the receiver
  double offset_spread = 0.0;                         // rms over the lanes, of full scale
  Interleaving interleaving;
  AdcWiring wiring;
  QuantiserParameters quantiser;
  std::optional<double> full_scale;           // V; absent = set to the loading by the gain control
  double loading = amplitude_from_db(-11.0);  // rms of a lane over full scale
  bool flat_band = true;                      // nothing above half the sample rate gets in; false: it aliases
};

/// The errors of one made converter: the same for every frame. Each set has mean 0 over lanes or
/// sub-converters and exactly the asked standard deviation, before the wiring's polarity multiplies the gains
/// and its held level is added to the offsets.
struct AdcErrors {
  std::array<double, 4> gain = {1, 1, 1, 1};                                 // of each lane
  std::array<double, 4> offset = {0, 0, 0, 0};                               // of full scale
  using PerSubConverter = std::array<std::vector<double>, 4>;                // [lane][sub-converter]
  PerSubConverter sub_gain = kNone, sub_offset = kNone, sub_timing = kNone;  // relative, of full scale, s

 private:
  static inline const PerSubConverter kNone = {{{0.0}, {0.0}, {0.0}, {0.0}}};
};

/// Draws them from streams "adc-gain", "adc-offset", "adc-interleaving-gain", "-offset" and "-timing" of
/// the device.
AdcErrors draw_adc_errors(const AdcParameters& parameters, const RandomStreams& device);

/// The lanes in the order of the converter's inputs.
ElectricalLanes connected(ElectricalLanes lanes, const AdcWiring& wiring);

/// What the converter gives: codes of lanes XI XQ YI YQ, their scale as the receiver knows it (errors of
/// gain left out), and how many samples were clipped.
struct AdcOutput {
  std::array<std::vector<std::int16_t>, 4> lanes;
  std::array<double, 4> ampere_per_code;
  std::uint64_t clipped_samples = 0;
  double sine_jitter_start = 0.0;  // rad, phase of the sinusoidal jitter at time 0
};

/// One period of a periodic row, taken at another rate by exact band-limited interpolation: floor(n rate /
/// input rate) samples, the first at the time of the first input sample. With `flat_band` nothing above
/// half the output rate passes; otherwise it aliases, as in a sampler.
ComplexRow<double> sample_row(ComplexRow<double> row, double input_rate, double output_rate, bool flat_band,
                              const FftCache& fft);

/// Sample k of a lane is taken at
///   t_k = (k + clock_phase) / (sample_rate (1 + clock_offset)) - skew + sine_jitter sin(2 pi rate t + start)
///         + jitter g_k + timing of sub-converter k mod M,
/// multiplied by the gains of lane and sub-converter, shifted by their offsets, quantised:
///   code_k = Q{ x(t_k) / step x g_lane (1 + g_sub) + full_scale (o_lane + o_sub) }  (quantiser.h).
/// Aperture jitter: R. H. Walden, IEEE J. Sel. Areas Commun. 17(4) 539 (1999); time interleaving: N. Kurosawa
/// et al., IEEE Trans. Circuits Syst. I 48(3) 261 (2001); terms of IEEE Std 1241. A receiver that
/// believes sample_rate sees a skewed lane late. Streams "adc-jitter", "adc-sine-jitter", "adc-noise" (ENOB).
AdcOutput convert(ElectricalLanes lanes, const AdcParameters& parameters, const AdcErrors& errors,
                  const RandomStreams& streams, const Execution& execution);

}  // namespace cohlink
