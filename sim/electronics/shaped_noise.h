// Stationary Gaussian noise with a given spectrum.
#pragma once

#include <functional>
#include <vector>

#include "sim/signal/execution/fft.h"
#include "sim/signal/random.h"

namespace cohlink {

/// `samples` real values at `sample_rate` [Hz], periodic, with the one-sided power spectral density
/// `density`(f) [unit^2/Hz], f >= 0 [Hz]: x = Re sum_k sqrt(density(|f_k|) df) W_k exp(i 2 pi f_k t) with
/// circular Gaussian W_k of unit power and df = sample_rate / samples (S. O. Rice, Bell Syst. Tech. J. 23(3)
/// 282, 1944). Variance: the integral of the density from 0 to half the rate. `density` must not be negative.
std::vector<double> shaped_noise(std::size_t samples, double sample_rate,
                                 const std::function<double(double)>& density, const RandomStream& random,
                                 const FftCache& fft);

}  // namespace cohlink
