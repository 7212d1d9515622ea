// From the light that arrives to the codes of the converter: attenuator and pre-amplifier, hybrids and
// diodes, electronics, converter, in that order.
#pragma once

#include <array>

#include "sim/frontend/adc.h"
#include "sim/frontend/frontend.h"
#include "sim/frontend/receiver_electronics.h"
#include "sim/frontend/receiver_input.h"

namespace cohlink {

/// A receiver's hardware, as it was made.
struct ReceiverHardware {
  const ReceiverInputParameters& input;
  const LocalOscillatorParameters& oscillator;
  const FrontendParameters& optics;
  const ReceiverElectronicsParameters& electronics;
  const AdcParameters& adc;
  const AdcErrors& adc_errors;
};

/// The codes of a frame, and what is true of them.
struct DetectedFrame {
  ReceiverInput input;
  PowerAtDiodes power;
  std::array<double, 4> transimpedance = {1, 1, 1, 1};  // ohm, of the converter's inputs
  AdcOutput converted;
};

/// `trace`: of the local oscillator. Throws as the parts do.
DetectedFrame detect_light(Field<double> light, const ReceiverHardware& hardware, const LaserTrace& trace,
                           const RandomStreams& streams, const Execution& execution);

}  // namespace cohlink
