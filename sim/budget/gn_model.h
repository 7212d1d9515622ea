// Nonlinear interference by the Gaussian-noise model and its correction for real constellations.
//
// P_NLI = eta P^3: power of the interference in both polarisations, referred to the power P of one channel.
// Flavours of the model differ by decibels, so every function here names its own:
//   closed form  density at band centre over the whole symbol rate; asinh; spans added incoherently (N) or
//                with the coherence exponent (N^(1+eps))
//   integral     coherent accumulation over all spans, read at band centre or after the matched filter
// Sources: P. Poggiolini, J. Lightwave Technol. 30(24) 3857 (2012); P. Poggiolini et al., J. Lightwave
// Technol. 32(4) 694 (2014); A. Carena et al., Opt. Express 22(13) 16335 (2014). Formulas from memory, their
// prefactors and conventions checked numerically against split steps (tests/published).
#pragma once

#include <vector>

#include "sim/signal/constellation.h"
#include "sim/signal/pulse.h"

namespace cohlink {

/// One span of the line and what stands behind it. SI; loss is that of power (the papers' alpha is half).
struct GnSection {
  double length = 80e3;            // m
  double loss = 0.0;               // 1/m
  double beta2 = 0.0;              // s^2/m
  double gamma = 0.0;              // 1/(W m), without the Manakov 8/9
  double module_beta2_length = 0;  // s^2, lumped dispersion behind the span
  double relative_power = 1.0;     // power into this span over the launch power
  bool operator==(const GnSection&) const = default;
};

/// The light: one channel, or the middle one of an equally spaced comb of equal channels.
struct GnSignal {
  PulseShape pulse;
  int channels = 1;
  double spacing = 0.0;  // Hz
};

enum class Accumulation { kIncoherent, kCoherent };
enum class NoiseReading { kBandCentre, kMatchedFilter };

/// eta [1/W^2] by the closed asinh form. A lossless span
/// counts with an asymptotic length of half its own (same height and area of its efficiency).
double gn_closed_form(const std::vector<GnSection>& line, const GnSignal& signal, Accumulation accumulation);

/// eta [1/W^2] of one line, read at band centre and behind the matched filter.
struct GnReadings {
  double centre = 0, matched = 0;
};

/// The integral, coherent accumulation, pulse spectrum as it is. What depends on the light alone is computed
/// once, for any number of lines. A comb of more than kMaximumIntegralChannels gives NaN: use the closed
/// form.
class GnIntegral {
 public:
  explicit GnIntegral(const GnSignal& signal);
  GnReadings operator()(const std::vector<GnSection>& line) const;

 private:
  /// Up to the product `to` = (f1 - f)(f2 - f) of frequency distances [Hz^2]: density of triples.
  struct Bin {
    double to, centre, matched;
  };
  std::vector<Bin> bins_;
};
inline constexpr int kMaximumIntegralChannels = 9;

/// By how much (a factor, 0 to 1) the interference of a channel with itself falls short of the Gaussian
/// model's because its symbols are not Gaussian: (k1 + Phi k2 + Psi k3) / k1, rectangular spectrum, coherent
/// accumulation. Behind the matched filter also without the part in step with the symbol itself, which
/// turns like a constant phase and which carrier recovery removes (derived from the same terms; at band
/// centre it is left in, as published). 1 for Gaussian symbols. Carena et al. (2014).
double egn_factor(const std::vector<GnSection>& line, double symbol_rate, Modulation modulation,
                  NoiseReading reading);

/// What the symbols of the neighbours, not being Gaussian, add (negative: they take) to the interference of
/// the integral behind the matched filter, eta [1/W^2]: the phi-dependent term of cross-phase modulation,
///   Phi (80/81) / Rs^3  mean over f of  sum over neighbours of  integral du |integral dv gamma mu(u v)|^2,
/// f + u in the channel, f + v and f + u + v in the neighbour; rectangular spectra. The term X1 of A. Carena
/// et al., Opt. Express 22(13) 16335 (2014), which is what R. Dar et al., Opt. Express 21(22) 25685 (2013)
/// correct; four-wave mixing among neighbours (X2 to X4, M) stays that of Gaussian symbols. 0 for Gaussian
/// symbols; NaN for more channels than the integral takes.
double egn_cross_phase(const std::vector<GnSection>& line, const GnSignal& signal, Modulation modulation);

}  // namespace cohlink
