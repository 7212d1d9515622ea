// What the light passes between the end of the link and the front end: an attenuator, fixed or set to a
// power, and, where there is one, a pre-amplifier. Beat noise of oscillator and ASE then rules over thermal
// noise: N. A. Olsson, J. Lightwave Technol. 7(7) 1071 (1989).
#pragma once

#include <optional>

#include "sim/signal/field.h"
#include "sim/signal/random.h"
#include "sim/signal/units.h"

namespace cohlink {

struct Preamplifier {
  double noise_factor = 3.16;  // linear
  double output_power = 1e-3;  // W, both polarisations, into the front end, ASE of the pre-amplifier aside
};

struct ReceiverInputParameters {
  double loss = 1.0;  // power in over power out, of a fixed attenuator
  /// W, both polarisations, signal and noise of the link: what a variable attenuator in its place leaves.
  std::optional<double> received_power;
  std::optional<Preamplifier> preamplifier;  // absent: the received power goes to the front end as it is
  double carrier = kCarrierHz;               // Hz, optical, for the photon energy of its noise

  /// Power behind the attenuator, where `arriving` [W] comes in.
  double received(double arriving) const { return received_power.value_or(arriving / loss); }
};

/// What a receiver met in one frame.
struct ReceiverInput {
  double power = 0.0;             // W, both polarisations, behind the attenuator
  double preamplifier_psd = 0.0;  // W/Hz per polarisation, referred to that power
};

/// What happens to a frame of that mean power [W].
struct InputGain {
  ReceiverInput input;
  double scale = 1.0;         // amplitude, of the attenuator
  double preamplifier = 1.0;  // power gain
  double noise_psd = 0.0;     // W/Hz per polarisation, behind the pre-amplifier
};
InputGain input_gain(double arriving, const ReceiverInputParameters& parameters);

/// Scales the field to the received power, then through the pre-amplifier: gain output_power /
/// received power, ASE (F G - 1)/2 h nu per polarisation, which referred to the received power is
/// (F - 1/G) h nu/2: the OSNR is then P_received / (F h nu 12.5 GHz) for gains well above 1 (58 dB + dBm -
/// noise figure). A gain below 1/F adds no noise. Stream "preamplifier-ase". A dark field stays dark.
ReceiverInput receive_light(Field<double>& light, const ReceiverInputParameters& parameters,
                            const RandomStreams& streams);

}  // namespace cohlink
