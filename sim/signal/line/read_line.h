// A scenario's optical line.
#pragma once

#include "sim/signal/line/line.h"
#include "sim/signal/scenario/scenario.h"

namespace cohlink {

/// The line that the sections [signal], [transmitter], [fibre], [amplifier] and [channel] describe: `spans`
/// equal spans, those that length_km is cut into, or those of span_lengths_km with their types and losses. A
/// fibre constant that is given holds for every span, one that is not comes from the span's type. InputError,
/// starting with where the offending key was set, for lists of unequal length and values that do not fit
/// together.
Line read_line(const Scenario& scenario);

/// Wavelength of the channel under test [m], to which dispersions in ps/nm refer: as the scenario gives it,
/// 1550 nm where it gives none.
double channel_wavelength(const Scenario& scenario);

/// beta3 L [s^3] of a path that accumulates `beta2_length` [s^2] at the channel under test, for a receiver
/// that is told the one and not the other: that of the line, and for what goes beyond the line's own beta2 L
/// that of the scenario's fibre (fibre.type and the constants given).
double read_beta3_length(const Scenario& scenario, double beta2_length);

/// Whether that line has any fibre; needs nothing else of the scenario to fit together.
bool has_spans(const Scenario& scenario);

}  // namespace cohlink
