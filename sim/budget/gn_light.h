// What the Gaussian-noise models know of light and line. SI throughout.
#pragma once

#include <vector>

#include "sim/signal/constellation.h"
#include "sim/signal/pulse.h"

namespace cohlink {

/// What the symbols' higher moments add to Gaussian ones, both polarisations alike: phi = E|a|^4 - 2, psi =
/// E|a|^6 - 9 E|a|^4 + 12 at unit mean power. QPSK -1 and 4, 16QAM -17/25 and 52/25, Gaussian symbols 0.
struct FormatMoments {
  double phi = 0.0, psi = 0.0;
};
FormatMoments format_moments(Modulation modulation);

/// One wavelength channel as the one under test sees it.
struct GnChannel {
  double frequency = 0.0;  // Hz, from the carrier of the channel under test
  double power = 1.0;      // over that of the channel under test
  PulseShape pulse;
  FormatMoments moments;
};

/// The channel under test first (at 0 Hz, power 1), its neighbours in any order; at least one.
using GnLight = std::vector<GnChannel>;

/// A comb of equals on a grid, read at its middle channel; an even comb has one more channel above it.
GnLight equal_comb(const GnChannel& channel, int channels, double spacing);

/// Power spectral density of a channel over its power [1/Hz] at `frequency` from its own carrier.
class ChannelDensity {
 public:
  explicit ChannelDensity(const PulseShape& pulse);
  double operator()(double frequency) const;
  double edge() const { return edge_; }             // Hz, beyond which it is 0
  double integral() const { return 1.0 / scale_; }  // Hz, of the pulse's squared spectrum

 private:
  PulseShape pulse_;
  double edge_, scale_;
};

/// One span of the line and what stands behind it. Loss is that of power (the papers' alpha is half).
struct GnSection {
  double length = 80e3;            // m
  double loss = 0.0;               // 1/m
  double beta2 = 0.0;              // s^2/m
  double gamma = 0.0;              // 1/(W m), without the Manakov 8/9
  double module_beta2_length = 0;  // s^2, lumped dispersion behind the span
  double relative_power = 1.0;     // power into this span over the launch power
  bool operator==(const GnSection&) const = default;
};
using GnLine = std::vector<GnSection>;

}  // namespace cohlink
