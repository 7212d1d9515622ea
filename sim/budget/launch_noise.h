// What the launch amplifier adds.
#pragma once

#include "sim/transmitter/transmitter.h"

namespace cohlink {

/// Density of the launch amplifier's ASE [W/Hz per polarisation]: (F G - 1)/2 h nu, G the launch power over
/// what leaves the modulator. 0 without a noise figure. An ideal modulator leaves the laser's power less its
/// loss; what interferometers leave follows from the drive through all that stands before them and has no
/// closed form: it is measured on 2,048 random symbols of this transmitter, which hold the mean power of any
/// others within 0.1 dB.
double launch_noise_psd(const TransmitterParameters& parameters);

}  // namespace cohlink
