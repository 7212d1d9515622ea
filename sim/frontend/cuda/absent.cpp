// Stands in for the front end on a card in builds without a CUDA engine.
#include "sim/frontend/cuda/detection_on_card.h"

namespace cohlink {

bool detects_on_card(Device) { return false; }

// Never called: there is no light on a card.
void stop_detecting_on_card(const std::string&) {}
void bring_back(const ArrivedOnCard&, Field<double>&) {}
DetectedFrame detect_light(const ArrivedOnCard&, const ReceiverHardware&, const LaserTrace&,
                           const RandomStreams&, const Execution&) {
  return {};
}

}  // namespace cohlink
