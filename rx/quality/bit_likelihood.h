// Log-likelihood ratios of received bits.
#pragma once

#include <complex>
#include <span>
#include <vector>

#include "sim/signal/constellation.h"
#include "sim/signal/execution/execution.h"

namespace cohlink {

/// Of every bit of every symbol, first bit first: ln of the chance that it is what was sent over that it is
/// not, points sent as often as their format has it, in white circular Gaussian noise of power `noise`. Above
/// zero: leans to what was sent. `received` has a gain of 1. std::invalid_argument for unequal lengths, noise
/// not above zero, or a constellation without points.
std::vector<float> flipped_likelihoods(std::span<const std::complex<float>> received,
                                       std::span<const std::complex<double>> sent, double noise,
                                       Modulation modulation, const Execution& execution = {});

}  // namespace cohlink
