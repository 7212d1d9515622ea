// A comb of root-raised-cosine channels with independent symbols, and an ideal receiver for one
// channel. Test helper: no front end, no noise, dispersion undone exactly, one complex gain a polarisation
// taken out.
#pragma once

#include <array>
#include <complex>
#include <cstdint>
#include <vector>

#include "sim/signal/constellation.h"
#include "sim/signal/execution/fft.h"
#include "sim/signal/field.h"
#include "sim/signal/propagation/plan.h"
#include "sim/signal/pulse.h"

namespace cohlink::wdm {

struct Signal {
  Modulation modulation = Modulation::kGaussian;
  PulseShape shape{};
  double spacing = 50e9;  // Hz; spacing x symbols must be a multiple of the symbol rate
  int channels_each_side = 0;
  int under_test = 0;   // channel that is read, counted from the middle one
  double power = 1e-3;  // W a channel
  std::size_t symbols = 4096, samples_per_symbol = 4;
  std::uint64_t seed = 1;

  double bandwidth() const { return 2.0 * (spacing * channels_each_side + pulse_band_edge(shape)); }
};

/// Symbols of the channel under test, x then y.
struct Sent {
  std::vector<std::complex<double>> x, y;
};

/// The comb as a field, and what its channel under test carries.
Field<double> transmit(const Signal& signal, const FftCache& ffts, Sent& sent);

/// What an ideal receiver of that channel reads: dispersion undone, matched filter, one sample a
/// symbol.
struct Reception {
  std::array<std::complex<double>, 2> cross{};           // sum received conj(sent), x and y
  std::array<double, 2> sent_power{}, received_power{};  // sums of squares

  /// Complex gain from sent to received symbols, both polarisations together.
  std::complex<double> gain() const { return (cross[0] + cross[1]) / (sent_power[0] + sent_power[1]); }
  /// Noise over signal power, the mean of both polarisations, about each one's own least-squares gain.
  double noise_to_signal() const;
  /// The same about a given gain, which leaves in what is proportional to the symbol.
  double noise_to_signal(std::complex<double> gain) const;
};

/// `beta2_length` [s^2] is undone.
template <class Real>
Reception receive(const Signal& signal, const Field<Real>& field, double beta2_length, const Sent& sent,
                  const FftCache& ffts);

/// Runs a plan, on a card where there is one.
template <class Real>
void propagate(Field<Real>& field, const PropagationPlan& plan, const FftCache& ffts);

}  // namespace cohlink::wdm
