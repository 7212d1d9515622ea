// The points that hardware_blocks.py draws, one figure a function: each prints lines of "figure,series,x,y".
#pragma once

#include <string>
#include <vector>

#include "sim/signal/execution/fft.h"

namespace cohlink {

/// Prints one point. Series that end in "theory" come from a formula, the others from the blocks themselves.
void point(const char* figure, const std::string& series, double x, double y);

/// SNR [dB] of one frame of the scenario with these settings, by the whole receiver.
double received_snr(const std::vector<std::string>& settings, FftCache& fft);

// Fibre and receiver (receiver_curves.cpp).
void fibre(FftCache& fft);
void preamplifier(FftCache& fft);
void polarisation_splitter(FftCache& fft);
void photodiodes(FftCache& fft);
void electronics(FftCache& fft);
void coupling(FftCache& fft);
void gain_control(FftCache& fft);

}  // namespace cohlink
