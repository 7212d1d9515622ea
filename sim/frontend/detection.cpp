#include "sim/frontend/detection.h"

#include <utility>

namespace cohlink {

DetectedFrame detect_light(Field<double> light, const ReceiverHardware& hardware, const LaserTrace& trace,
                           const RandomStreams& streams, const Execution& execution) {
  DetectedFrame out;
  out.input = receive_light(light, hardware.input, streams);
  execution.check();
  const Oscillator oscillator{hardware.oscillator, trace};
  out.power = power_at_diodes(coherency(light), oscillator, hardware.optics);
  execution.check();
  Photocurrents currents = detect(light, oscillator, hardware.optics, streams, execution);
  execution.check();
  ElectricalLanes lanes =
      connected(amplify_currents(std::move(currents), hardware.electronics, execution), hardware.adc.wiring);
  execution.check();
  out.transimpedance = lanes.transimpedance;
  out.converted = convert(std::move(lanes), hardware.adc, hardware.adc_errors, streams, execution);
  return out;
}

}  // namespace cohlink
