// What the light passes between the end of the link and the front end: an attenuator to the set power and,
// where there is one, a pre-amplifier. Beat noise of oscillator and ASE then rules over thermal noise: N. A.
// Olsson, J. Lightwave Technol. 7(7) 1071 (1989).
#pragma once

#include <optional>

#include "sim/signal/field.h"
#include "sim/signal/random.h"

namespace cohlink {

struct Preamplifier {
  double noise_factor = 3.16;  // linear
  double output_power = 1e-3;  // W, both polarisations, into the front end, ASE of the pre-amplifier aside
};

struct ReceiverInputParameters {
  double received_power = 1e-3;              // W, both polarisations, signal and noise of the link
  std::optional<Preamplifier> preamplifier;  // absent: the received power goes to the front end as it is
};

/// Scales the field to the received power, then through the pre-amplifier: gain output_power /
/// received_power, ASE (F G - 1)/2 h nu per polarisation. Returns the density of that ASE referred to the
/// received power [W/Hz per polarisation], (F - 1/G) h nu/2: the OSNR is then P_received / (F h nu 12.5 GHz)
/// for gains well above 1 (58 dB + dBm - noise figure). A gain below 1/F adds no noise. Stream
/// "preamplifier-ase". A dark field stays dark.
double receive_light(Field<double>& light, const ReceiverInputParameters& parameters,
                     const RandomStreams& streams);

}  // namespace cohlink
