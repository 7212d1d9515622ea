// A comb of root-raised-cosine channels with independent symbols, and an ideal receiver for its centre
// channel. Test helper: no front end, no noise, dispersion undone exactly, one complex gain a polarisation
// taken out.
#pragma once

#include <complex>
#include <cstdint>
#include <vector>

#include "sim/signal/constellation.h"
#include "sim/signal/fft.h"
#include "sim/signal/field.h"
#include "sim/signal/propagation/plan.h"
#include "sim/signal/pulse.h"

namespace cohlink::wdm {

struct Signal {
  Modulation modulation = Modulation::kGaussian;
  PulseShape shape{};
  double spacing = 50e9;  // Hz; spacing x symbols must be a multiple of the symbol rate
  int channels_each_side = 0;
  double power = 1e-3;  // W a channel
  std::size_t symbols = 4096, samples_per_symbol = 4;
  std::uint64_t seed = 1;

  double bandwidth() const { return 2.0 * (spacing * channels_each_side + pulse_band_edge(shape)); }
};

/// Symbols of the centre channel, x then y.
struct Sent {
  std::vector<std::complex<double>> x, y;
};

/// The comb as a field, and what its centre channel carries.
Field<double> transmit(const Signal& signal, FftCache& ffts, Sent& sent);

/// Noise over signal power of the centre channel after dispersion compensation (`beta2_length` [s^2]) and
/// matched filter, the mean over both polarisations.
template <class Real>
double noise_to_signal(const Signal& signal, const Field<Real>& field, double beta2_length, const Sent& sent,
                       FftCache& ffts);

/// Runs a plan with the fast engine in single precision.
void propagate(Field<float>& field, const PropagationPlan& plan, FftCache& ffts);

}  // namespace cohlink::wdm
