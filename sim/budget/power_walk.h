// Light levels along a line, span by span, and the line as the Gaussian-noise models see it.
#pragma once

#include <cstddef>
#include <optional>
#include <vector>

#include "sim/budget/gn_light.h"
#include "sim/link_setup.h"
#include "sim/signal/line/light_levels.h"

namespace cohlink {

/// After one span and its amplifier.
struct SpanLevel {
  std::size_t span = 0;        // from 1
  double input_power = 0;      // W into the fibre, both polarisations
  double output_power = 0;     // W at its end, before the amplifier
  std::optional<double> osnr;  // linear, after the amplifier; absent without noise
  double interference = 0;     // NLI-to-signal power ratio so far, as expected
};

/// The same path with steps as long as a span: for its light levels, which is all that a budget wants.
LinkSetup coarse(LinkSetup setup);

/// At the end of the optical path. `launch_psd`: noise launched with the signal [W/Hz per polarisation].
LightLevels levels_of(const LinkSetup& setup, double launch_psd);
/// Behind the line's first `count` sections.
LightLevels levels_after(const LinkSetup& setup, std::size_t count, double launch_psd);

/// Every span of the line, interference left at 0.
std::vector<SpanLevel> walk_spans(const LinkSetup& setup, double launch_psd);

/// A channel of the comb behind the last section, before noise loading and the receiver.
struct ChannelEnd {
  int channel = 0;                     // number on the grid
  double frequency = 0.0;              // Hz, optical
  double launched = 0.0, power = 0.0;  // W, both polarisations
  std::optional<double> osnr;          // linear, photon energy of its own frequency; absent without noise
};

/// Every channel of the comb.
std::vector<ChannelEnd> walk_channels(const LinkSetup& setup, double launch_psd);

/// Noise over signal per polarisation in one symbol rate.
double ase_ratio(const LightLevels& levels, double symbol_rate);

/// The channels as the one under test sees them.
GnLight gn_light(const LinkSetup& setup);
/// The line with the powers that were walked.
GnLine gn_line(const LinkSetup& setup, const std::vector<SpanLevel>& levels);

}  // namespace cohlink
