// What cables, drivers and connectors do to the four drive lanes: gain and time between I and Q, time between
// X and Y.
#pragma once

#include <array>

#include "sim/signal/execution/fft.h"
#include "sim/signal/field.h"

namespace cohlink {

struct LaneErrorParameters {
  double iq_gain_db = 0.0;  // amplitude of I over Q, 20 log10, both polarisations; their power sum is kept
  double iq_skew = 0.0;     // s, Q later than I
  double xy_skew = 0.0;     // s, Y later than X
};

/// Amplitudes of I and Q whose ratio is `iq_gain_db` and whose mean power is 1.
std::array<double, 2> balanced_pair(double iq_gain_db);

/// Delays are phase ramps exp(-2 pi i f delay) on each lane's spectrum (common practice), exact for the
/// periodic, band-limited row and of either sign. Applies them to the drive waveforms in place. With gain g =
/// I/Q and a phase error p of the modulator, a single-sideband tone has the image
///   (1 + g^2 - 2 g cos p) / (1 + g^2 + 2 g cos p)
/// of its power (B. Razavi, RF Microelectronics, ch. on image rejection).
void apply_lane_errors(Field<double>& drive, const LaneErrorParameters& parameters, const FftCache& fft);

}  // namespace cohlink
