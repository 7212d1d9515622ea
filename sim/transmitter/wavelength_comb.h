// Wavelength channels on a grid: one transmitter each, combined; and tuning back to one of them:
//   A(t) = sum_k A_k(t) exp(2 pi i f_k t),  f_k = -(optical offset of channel k),
// the grid being that of ITU-T G.694.1 (DWDM, any spacing here). Channels are not filtered before combining.
#pragma once

#include <vector>

#include "sim/transmitter/transmitter.h"

namespace cohlink {

/// One channel that is not under test.
struct NeighbourChannel {
  double offset = 0.0;       // Hz, optical frequency above the centre of the grid
  double power_ratio = 1.0;  // of the launch power
  Modulation modulation = Modulation::kQpsk;
  double roll_off = 0.1;
  int number = 0;  // in the grid, from 1: names its random streams
};

struct WavelengthComb {
  double offset = 0.0;       // Hz, optical frequency of the channel under test above the centre of the grid
  double power_ratio = 1.0;  // its power over the launch power
  std::vector<NeighbourChannel> neighbours;

  /// Highest channel edge, either side [Hz], for the pulse of the channel under test.
  double edge(const PulseShape& pulse) const;
  /// Power of all channels over the launch power.
  double total_power_ratio() const;
};

/// FFT frequency at which a channel of that optical offset lies: its negative, moved by less than half a bin
/// to the nearest whole bin, so that a frame stays periodic. `frame_rate` = 1/frame duration [Hz].
double comb_frequency(double optical_offset, double frame_rate);

/// All channels in one field, centred on the grid; data, laser and noise density are those of the channel
/// under test. Neighbours are ideal transmitters with random data and the same linewidth, each with
/// streams of its own ("channel-<number>"), so that they do not change the channel under test.
TransmittedFrame transmit_comb(const TransmitterParameters& parameters, const WavelengthComb& comb,
                               const RandomStreams& streams, const FftCache& fft);

/// Moves FFT frequency `frequency` (a whole number of bins) to zero and advances the field by `delay` [s], so
/// that a channel that travelled slower than the centre keeps its place in the frame.
void tune_to(Field<double>& field, double frequency, double delay, const FftCache& fft);

}  // namespace cohlink
