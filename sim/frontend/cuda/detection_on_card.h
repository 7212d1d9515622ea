// The front end's work (detection.h) on a card, where the light already is: what leaves the card are codes.
#pragma once

#include <string>

#include "sim/frontend/detection.h"
#include "sim/signal/propagation/cuda/light_on_card.h"

namespace cohlink {

/// Light, and what is left to do to it before it is detected: tune_to of the comb.
struct ArrivedOnCard {
  cuda::LightOnCard& light;
  double frequency = 0.0;  // Hz, FFT sign
  double delay = 0.0;      // s
};

/// Whether this build and host can: there is a CUDA engine, and cuFFT is found; and, unless kCuda insists,
/// this was not given up.
bool detects_on_card(Device chosen);

/// Under kAutomatic light is detected on the CPU for the rest of the process; the listener of
/// when_device_lost hears of it.
void stop_detecting_on_card(const std::string& reason);

/// The light as it stands before it is detected, in double precision.
void bring_back(const ArrivedOnCard& arrived, Field<double>& to);

/// As detect_light on the CPU, in double precision, to rounding and but for the digits of the CPU's normals
/// (normals.h); the oscillator's trace comes from the host. The light is used up. Throws cuda::DeviceError
/// as the engine does.
DetectedFrame detect_light(const ArrivedOnCard& arrived, const ReceiverHardware& hardware,
                           const LaserTrace& trace, const RandomStreams& streams, const Execution& execution);

}  // namespace cohlink
