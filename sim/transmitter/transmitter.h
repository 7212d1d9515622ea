// The transmitter: bits, symbols, pulse shaping, launch power and laser phase.
#pragma once

#include <array>
#include <string>
#include <vector>

#include "sim/signal/constellation.h"
#include "sim/signal/fft.h"
#include "sim/signal/field.h"
#include "sim/signal/pulse.h"
#include "sim/signal/random.h"

namespace cohlink {

enum class Pattern { kRandom, kPrbs15, kPrbs23, kPrbs31, kFile };

struct TransmitterParameters {
  Modulation modulation = Modulation::kQpsk;
  bool differential = false;
  PulseShape pulse;
  std::size_t symbols = 65536;
  std::size_t samples_per_symbol = 4;
  Pattern pattern = Pattern::kRandom;
  std::array<Symbols, 2> file_symbols;  // for kFile: at least `symbols` each
  double launch_power = 1e-3;           // W, both polarisations
  double linewidth = 0.0;               // Hz
};

/// Data of one frame. Bits are empty for Gaussian symbols.
struct FrameData {
  std::array<Bits, 2> bits;
  std::array<Symbols, 2> symbols;
};

struct TransmittedFrame {
  Field<double> field;  // sqrt(W), symbol k centred on sample k samples_per_symbol
  FrameData data;
  std::vector<double> phase;  // laser phase [rad], per sample
};

/// Draws the bits or symbols of a frame from streams "bits-x" and "bits-y". A PRBS goes on from frame to
/// frame; Y runs 5,000,011 bits ahead of X.
FrameData draw_data(const TransmitterParameters& parameters, const RandomStreams& streams);

/// One period of the shaped, phase-noisy field at the set launch power.
TransmittedFrame transmit(const TransmitterParameters& parameters, const RandomStreams& streams,
                          FftCache& fft);

/// Reads /symbols, complex [2, symbols], from an HDF5 file. InputError when it is not that, holds fewer than
/// `symbols`, or its mean power is off unity by more than 1 %.
std::array<Symbols, 2> read_pattern_file(const std::string& path, std::size_t symbols);

}  // namespace cohlink
