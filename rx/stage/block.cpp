#include "rx/stage/block.h"

#include "sim/signal/read_modulation.h"

namespace cohlink {

PulseShape pulse_of(const Scenario& s) {
  PulseShape shape;
  shape.pulse = s.text("signal.pulse") == "nrz" ? Pulse::kNrz : Pulse::kRrc;
  shape.roll_off = s.number("signal.roll_off");
  shape.symbol_rate = s.number("signal.symbol_rate_gbd") * 1e9;
  return shape;
}

Modulation modulation_of(const Scenario& s) { return read_modulation(s); }

}  // namespace cohlink
