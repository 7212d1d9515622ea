// From a scenario's trade units to the SI parameters of each piece of hardware, checked against each other.
#pragma once

#include <cstdint>
#include <optional>
#include <string>

#include "sim/frontend/adc.h"
#include "sim/frontend/frontend.h"
#include "sim/frontend/receiver_electronics.h"
#include "sim/frontend/receiver_input.h"
#include "sim/signal/line/line.h"
#include "sim/signal/propagation/steps.h"
#include "sim/signal/scenario/scenario.h"
#include "sim/transmitter/transmitter.h"

namespace cohlink {

struct LinkSetup {
  std::uint64_t seed = 1;
  bool single_precision = false;
  bool redraw_birefringence = false;
  TransmitterParameters transmitter;
  Line line;
  StepControl steps;
  ReceiverInputParameters receiver_input;
  std::optional<double> least_input, most_input;  // W, what the receiver is made for
  LocalOscillatorParameters oscillator;
  FrontendParameters frontend;
  ReceiverElectronicsParameters electronics;
  AdcParameters adc;
  std::size_t samples_for_hardware = 2;  // a symbol: hold converter images and harmonics
};

/// What to say of run.samples_per_symbol where it was set too low for the transmitter's or the receiver's
/// nonlinear hardware; nothing where it is enough.
std::optional<std::string> sampling_caution(const LinkSetup& setup);

/// What to say where the power into the receiver lies outside the range it is made for; nothing within.
std::optional<std::string> input_range_caution(const LinkSetup& setup);

/// Throws InputError, starting with where the offending key was set, for values that do not fit together.
LinkSetup link_setup(const Scenario& scenario);

}  // namespace cohlink
