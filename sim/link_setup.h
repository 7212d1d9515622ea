// From a scenario's trade units to the SI parameters of each piece of hardware, checked against each other.
#pragma once

#include <cstdint>
#include <optional>
#include <string>

#include "sim/fibre/line.h"
#include "sim/frontend/adc.h"
#include "sim/frontend/frontend.h"
#include "sim/frontend/receiver_electronics.h"
#include "sim/frontend/receiver_input.h"
#include "sim/signal/scenario/scenario.h"
#include "sim/transmitter/transmitter.h"
#include "sim/transmitter/wavelength_comb.h"

namespace cohlink {

/// Linear optics between the line and the receiver.
struct ChannelParameters {
  double extra_beta2_length = 0.0;  // s^2
  double dgd = 0.0;                 // s, axes at 45 degrees
  double pdl_db = 0.0;
  double rotation = 0.0, retardance = 0.0;  // rad
  double rotation_rate = 0.0;               // rad/s in Stokes space
  std::optional<double> osnr;               // linear, in 12.5 GHz; absent = no noise loading
  std::optional<OpticalFilter> filter;      // the receiver's, about the channel under test
};

struct LinkSetup {
  std::uint64_t seed = 1;
  bool single_precision = false;
  bool redraw_birefringence = false;
  TransmitterParameters transmitter;
  WavelengthComb comb;
  LineParameters line;  // no sections: back to back
  ChannelParameters channel;
  ReceiverInputParameters receiver_input;
  LocalOscillatorParameters oscillator;
  FrontendParameters frontend;
  ReceiverElectronicsParameters electronics;
  AdcParameters adc;
  std::size_t samples_for_hardware = 2;  // a symbol: hold converter images and harmonics
};

/// FFT frequency of the channel under test in the simulated band [Hz], a whole number of bins.
double tuned_frequency(const LinkSetup& setup);

/// What to say of run.samples_per_symbol where it was set too low for the transmitter's or the receiver's
/// nonlinear hardware; nothing where it is enough.
std::optional<std::string> sampling_caution(const LinkSetup& setup);

/// Throws InputError, starting with where the offending key was set, for values that do not fit together.
LinkSetup link_setup(const Scenario& scenario);

}  // namespace cohlink
