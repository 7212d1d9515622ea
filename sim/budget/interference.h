// Nonlinear interference of a line by every flavour of the Gaussian-noise model, and what is expected.
//
// P_NLI = eta P^3: power of the interference in both polarisations, referred to the power P of the channel
// under test. Flavours differ by decibels, so each has its name:
//   closed form  density at band centre; asinh; spans added incoherently or with the coherence exponent
//   integral     coherent accumulation over all spans, read at band centre or behind the matched filter
//   expected     the latter with what real symbols and the pulse's spectrum change (EGN)
// All are of first order in the power.
#pragma once

#include <map>
#include <vector>

#include "sim/budget/gn_integral.h"

namespace cohlink {

/// eta [1/W^2] by flavour.
struct Interference {
  double closed_incoherent = 0, closed_coherent = 0;  // NaN for channels unlike each other
  double integral_centre = 0, integral_matched = 0;
  double self = 0;              // of the integral behind the matched filter, the channel's with itself
  double self_correction = 0;   // what the channel's own symbols add, negative where they are quieter
  double cross_correction = 0;  // what those of its neighbours add

  double expected_self() const { return self + self_correction; }
  double neighbours() const { return integral_matched - self; }
  double expected_neighbours() const { return neighbours() + cross_correction; }
  double expected() const { return expected_self() + expected_neighbours(); }
};

/// The interference of any line for one kind of light.
class InterferenceModel {
 public:
  explicit InterferenceModel(const GnLight& light);
  /// After each span: entry k hangs on spans 0 to k alone.
  std::vector<Interference> after_each_span(const GnLine& line);
  /// Of the whole line; nothing but zeros for an empty one.
  Interference operator()(const GnLine& line);

 private:
  GnLight light_;
  GnIntegral alone_, comb_;
};

/// Interference of lines that were met before, for whoever asks about one link again and again. A line's Kerr
/// coefficient may change: eta goes with its square.
class InterferenceMemo {
 public:
  /// As InterferenceModel(light).after_each_span(line).
  std::vector<Interference> after_each_span(const GnLight& light, const GnLine& line);

 private:
  struct Known {
    double gamma = 0;  // 1/(W m), of the first span
    std::vector<Interference> all;
  };
  std::map<std::vector<double>, Known> known_;
};

/// How far [dB] split steps of waveforms were seen to lie from `expected()` at most, either way, at 32 GBd
/// over spans of 80 km: 0.3, and more for channels that nearly touch (four-wave mixing among them is that of
/// Gaussian symbols), several channels without dispersion, and wide roll-offs. docs/studies.md has what was
/// measured; other light and lines were not.
double interference_error_db(const GnLight& light, const GnLine& line);

/// By how much, as a factor above 1, the interference exceeds its first order: about 1 + 0.9 p^2 + 0.9 r, p
/// the largest Kerr phase of the channel in a span [rad], r the first order's noise over signal. Fitted to
/// split steps of one and five channels, 1 to 20 spans, three formats: within 0.2 dB where it is below 0.6
/// dB.
double next_order_factor(const GnLine& line, double launch_power, double eta);

}  // namespace cohlink
