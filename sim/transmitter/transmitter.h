// The transmitter as it is wired: bits, symbols, pulses, converter, driver, modulator, launch amplifier. Each
// block's header has its equation; the order is that of M. Seimetz, High-Order Modulation for Optical Fiber
// Transmission (Springer 2009), ch. 2, with digital pulse shaping before the converter.
#pragma once

#include <array>
#include <optional>
#include <string>
#include <vector>

#include "sim/signal/constellation.h"
#include "sim/signal/execution/execution.h"
#include "sim/signal/field.h"
#include "sim/signal/frame_layout.h"
#include "sim/signal/pulse.h"
#include "sim/signal/random.h"
#include "sim/signal/units.h"
#include "sim/transmitter/dac.h"
#include "sim/transmitter/driver.h"
#include "sim/transmitter/lane_errors.h"
#include "sim/transmitter/laser.h"
#include "sim/transmitter/modulator.h"

namespace cohlink {

enum class Pattern { kRandom, kPrbs15, kPrbs23, kPrbs31, kFile };

struct TransmitterParameters {
  Modulation modulation = Modulation::kQpsk;
  bool differential = false;
  FrameLayout layout = {};  // training and pilots between the data; by default none
  PulseShape pulse;
  std::size_t symbols = 65536;
  std::size_t samples_per_symbol = 4;
  Pattern pattern = Pattern::kRandom;
  std::array<Symbols, 2> file_symbols;  // for kFile: at least `symbols` each
  DacParameters dac;
  DriverParameters driver;
  LaneErrorParameters lane_errors;
  LaserParameters laser;
  ModulatorParameters modulator;
  double launch_power = 1e-3;                 // W, both polarisations
  std::optional<double> launch_noise_factor;  // linear, of the launch amplifier; absent = noiseless
  double carrier = kCarrierHz;                // Hz, optical, for the photon energy of its noise
};

/// Data of one frame. Bits are empty for Gaussian symbols.
struct FrameData {
  std::array<Bits, 2> bits;
  std::array<Symbols, 2> symbols;
};

struct TransmittedFrame {
  Field<double> field;  // sqrt(W), symbol k centred on sample k samples_per_symbol
  FrameData data;
  LaserTrace laser;                        // per sample
  std::array<double, 2> carrier = {0, 0};  // of X and Y, left by the modulator, over the signal's power
  std::array<BiasPoint, 2> bias = {};      // of X and Y: where the child interferometers stood
  double noise_psd = 0.0;                  // W/Hz per polarisation, launched with the signal
  DacReport dac;                           // all four lanes
  std::uint64_t predistortion_clipped_samples = 0;  // beyond the reach of the modulator, all four lanes
};

/// Draws the bits or symbols of a frame from streams "bits-x" and "bits-y"; bits of a shaped format as its
/// shaping sends them (what a distribution matcher puts out). A PRBS goes on from frame to
/// frame; Y runs 5,000,011 bits ahead of X. Known symbols, where there are any, stand between the payload and
/// their bits count as the frame's.
FrameData draw_data(const TransmitterParameters& parameters, const RandomStreams& streams);

/// One period of the field at the set launch power. Streams: those of dac.h and laser.h ("tx-..."), and
/// "launch-ase".
TransmittedFrame transmit(const TransmitterParameters& parameters, const RandomStreams& streams,
                          const Execution& execution);

/// Reads /symbols, complex [2, symbols], from an HDF5 file. InputError when it is not that, holds fewer than
/// `symbols`, its mean power is off unity by more than 1 %, or a symbol is no point of the constellation.
std::array<Symbols, 2> read_pattern_file(const std::string& path, std::size_t symbols, Modulation modulation);

}  // namespace cohlink
