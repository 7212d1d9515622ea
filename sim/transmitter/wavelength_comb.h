// Wavelength channels on a grid: one transmitter each, combined; and tuning back to one of them:
//   A(t) = sum_k A_k(t) exp(2 pi i f_k t),  f_k = -(optical offset of channel k) to the next whole bin,
// the grid being that of ITU-T G.694.1 (DWDM, any spacing here). Channels are not filtered before combining.
#pragma once

#include "sim/signal/execution/execution.h"
#include "sim/signal/line/line.h"
#include "sim/transmitter/transmitter.h"

namespace cohlink {

/// All channels in one field, centred on the grid; data, laser and noise density are those of the channel
/// under test, which `parameters` make. Neighbours are ideal transmitters with random data and the same
/// linewidth, each with streams of its own ("channel-<number>"), so that they do not change the channel under
/// test.
TransmittedFrame transmit_comb(const TransmitterParameters& parameters, const Comb& comb,
                               const RandomStreams& streams, const Execution& execution);

/// Moves FFT frequency `frequency` (a whole number of bins) to zero and advances the field by `delay` [s], so
/// that a channel that travelled slower than the centre keeps its place in the frame.
void tune_to(Field<double>& field, double frequency, double delay, const FftCache& fft);

}  // namespace cohlink
