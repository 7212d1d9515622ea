// Pulse spectra: root-raised-cosine and band-limited NRZ, and shaping of symbol rows.
#pragma once

#include <complex>
#include <cstddef>
#include <span>

#include "sim/signal/execution/fft.h"
#include "sim/signal/field.h"

namespace cohlink {

enum class Pulse { kRrc, kNrz };

struct PulseShape {
  Pulse pulse = Pulse::kRrc;
  double roll_off = 0.1;      // RRC only, 0 < roll_off <= 1
  double symbol_rate = 32e9;  // Hz
  bool operator==(const PulseShape&) const = default;
};

/// Amplitude spectrum at `frequency` [Hz], 1 at f = 0. RRC: square root of the raised cosine (Proakis,
/// Digital Communications, ch. 9). NRZ: sinc(f / symbol_rate) cut at +-symbol_rate (its main lobe).
double pulse_spectrum(const PulseShape& shape, double frequency);

/// One-sided bandwidth outside which pulse_spectrum is zero [Hz].
double pulse_band_edge(const PulseShape& shape);

/// Periodic waveform of `symbols`, `samples_per_symbol` samples each, symbol k centred on sample
/// k samples_per_symbol; scaled so that unit-power independent symbols give unit mean power.
ComplexRow<double> shape_symbols(std::span<const std::complex<double>> symbols, const PulseShape& shape,
                                 std::size_t samples_per_symbol, const FftCache& fft);

}  // namespace cohlink
