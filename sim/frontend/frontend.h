// The optical front end: polarisation splitters, hybrids, balanced photodiodes and their electrical path.
#pragma once

#include <array>
#include <optional>
#include <vector>

#include "sim/signal/fft.h"
#include "sim/signal/field.h"
#include "sim/signal/random.h"

namespace cohlink {

struct LocalOscillatorParameters {
  double power = 20e-3;           // W, into its splitter
  double linewidth = 0.0;         // Hz
  double frequency_offset = 0.0;  // Hz: optical frequency above the carrier
};

struct FrontendParameters {
  double received_power = 1e-3;     // W, both polarisations, signal and noise
  double hybrid_phase_error = 0.0;  // rad
  double responsivity = 1.0;        // A/W, each photodiode
  double thermal_noise = 0.0;       // A/sqrt(Hz), one-sided, each balanced output
  bool shot_noise = false;
};

/// Photocurrents of the two polarisations [A]: real part the I output, imaginary part the Q output.
using Photocurrents = Field<double>;

/// Phase of the oscillator field [rad] per sample, frequency offset left out: stream "lo-phase".
std::vector<double> oscillator_phase(const LocalOscillatorParameters& lo, std::size_t samples,
                                     double sample_rate, const RandomStreams& streams);

/// Beats the received field with the local oscillator. The field is scaled to the received power, both are
/// split into X and Y, each polarisation has its own hybrid, each output pair its balanced photodiodes:
/// current = R (|plus|^2 - |minus|^2) + shot noise (variance q R (|plus|^2 + |minus|^2) x sample rate, i.e.
/// the one-sided density 2 q I) + thermal noise. Streams "shot-noise", "thermal-noise".
/// The beat is R S L*: the oscillator's offset f turns it as exp(+i 2 pi f t), its phase as exp(-i phase).
Photocurrents detect(const Field<double>& received, const LocalOscillatorParameters& lo,
                     const std::vector<double>& lo_phase, const FrontendParameters& frontend,
                     const RandomStreams& streams);

/// Fourth-order Bessel low-pass with 3 dB bandwidth `bandwidth` at `frequency` [Hz], its constant delay
/// taken out (W. E. Thomson, Proc. IEE 96(3) 487, 1949).
std::complex<double> bessel_response(double frequency, double bandwidth);

}  // namespace cohlink
