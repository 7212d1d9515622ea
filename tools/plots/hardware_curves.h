// The points that hardware_blocks.py draws, one figure a function: each prints lines of "figure,series,x,y".
#pragma once

#include <string>
#include <vector>

#include "sim/signal/execution/fft.h"

namespace cohlink {

/// Prints one point. Series that end in "theory" come from a formula, the others from the blocks themselves.
void point(const char* figure, const std::string& series, double x, double y);

/// SNR [dB] of one frame of the scenario with these settings, by the whole receiver.
double received_snr(const std::vector<std::string>& settings, const FftCache& fft);

// Fibre and receiver (receiver_curves.cpp).
void fibre(const FftCache& fft);
void preamplifier(const FftCache& fft);
void polarisation_splitter(const FftCache& fft);
void photodiodes(const FftCache& fft);
void electronics(const FftCache& fft);
void coupling(const FftCache& fft);
void gain_control(const FftCache& fft);

}  // namespace cohlink
