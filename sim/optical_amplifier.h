// Lumped optical amplifiers outside the line: the launch amplifier and the receiver's pre-amplifier.
#pragma once

#include <optional>

#include "sim/signal/field.h"
#include "sim/signal/random.h"

namespace cohlink {

/// Density of the ASE per polarisation [W/Hz] that a gain G with noise factor F (linear; absent = noiseless)
/// adds at an optical frequency of `carrier` [Hz]: (F G - 1)/2 h nu with F = 2 n_sp (G - 1)/G + 1/G, never
/// below 0 (an attenuator adds none). H. A. Haus, IEEE Photon. Technol. Lett. 10(11) 1602 (1998); E.
/// Desurvire, Erbium-Doped Fiber Amplifiers (Wiley 1994), ch. 2. `gain` is of power, linear.
double amplifier_noise_psd(double gain, std::optional<double> noise_factor, double carrier);

/// Scales the field by sqrt(power_gain) and adds circular white noise of `noise_psd` [W/Hz] per polarisation
/// over the whole simulated band: A' = sqrt(G) A + n, E|n|^2 = noise_psd x sample rate. Draws only when there
/// is noise.
void amplify(Field<double>& light, double power_gain, double noise_psd, const RandomStream& random);

}  // namespace cohlink
