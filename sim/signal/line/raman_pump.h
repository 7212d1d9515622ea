// Backward Raman pumping of a span as a noise figure: pump not depleted, its light left out of the waveform.
#pragma once

#include "sim/signal/line/line.h"

namespace cohlink {

/// Effective noise factor (linear, referred to the fibre's end without pump) of a span pumped from its end
/// with the on-off gain `gain` [linear, >= 1]: (2 N + 1)/gain, N photons a hertz of spontaneous scattering in
/// one polarisation at the end, N = integral of n_sp g(z) exp(integral from z to L of (g - loss)) dz, g(z)
/// proportional to the pump exp(-pump_loss (L - z)). J. Bromage, J. Lightwave Technol. 22(1) 79 (2004) (from
/// memory). Common practice: pump 13.2 THz above the signal with 0.25 dB/km, n_sp = 1.14 at 300 K.
double backward_raman_noise_factor(const Span& span, double gain);

/// Noise factor of the amplifier behind such a span and a lumped loss, counted as if it made up for all the
/// loss by itself: (F G - 1)/2 h nu, G the gain of both, is then the noise of both.
double hybrid_noise_factor(const LineSection& section, double gain);

}  // namespace cohlink
