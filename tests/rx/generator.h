// Small signal generator for the receiver's tests: known symbols, known impairments, nothing of sim/ but
// the signal kit.
#pragma once

#include <algorithm>
#include <array>
#include <cmath>
#include <complex>
#include <initializer_list>
#include <span>
#include <string>
#include <vector>

#include "sim/signal/constellation.h"
#include "sim/signal/execution/fft.h"
#include "sim/signal/field.h"
#include "sim/signal/pulse.h"
#include "sim/signal/random.h"
#include "sim/signal/record/capture.h"
#include "sim/signal/scenario/errors.h"
#include "sim/signal/scenario/scenario.h"
#include "sim/signal/units.h"

namespace cohlink::test {

inline constexpr double kRate = 32e9;  // symbols a second

/// Planning by estimate and no wisdom: tests must not depend on an earlier run.
inline FftCache& fft() {
  static FftCache cache(FftPlanning::kEstimate, "");
  return cache;
}

inline RandomStream stream(const char* name, std::uint64_t frame = 0) {
  return RandomStreams(11, frame).stream(name);
}

/// The defaults, FFTs planned as in fft(), and `settings`, each section.key=value.
inline Scenario scenario_of(std::initializer_list<std::string> settings) {
  Scenario s;
  s.set("run.fft_planning=estimated");
  for (const auto& setting : settings) s.set(setting);
  return s;
}

struct Sent {
  std::array<Bits, 2> bits;
  std::array<Symbols, 2> symbols;
};

inline Sent random_symbols(Modulation modulation, std::size_t count, std::uint64_t frame = 0,
                           bool differential = false) {
  Sent sent;
  const char* names[] = {"bits-x", "bits-y"};
  for (std::size_t p = 0; p < 2; ++p) {
    RandomStream bits = stream(names[p], frame);
    sent.bits[p].resize(count * static_cast<std::size_t>(bits_per_symbol(modulation)));
    for (auto& b : sent.bits[p]) b = static_cast<std::uint8_t>(bits.bits() & 1u);
    sent.symbols[p] = map_bits(modulation, sent.bits[p], differential);
  }
  return sent;
}

/// One sample a symbol, as an ideal receiver would hand them on.
inline Field<float> at_symbol_rate(const std::array<Symbols, 2>& symbols) {
  Field<float> out(symbols[0].size(), kRate);
  for (std::size_t k = 0; k < out.size(); ++k) {
    out.x[k] = std::complex<float>(symbols[0][k]);
    out.y[k] = std::complex<float>(symbols[1][k]);
  }
  return out;
}

/// Root-raised-cosine waveform of both rows, unit mean power each.
inline Field<float> shaped(const std::array<Symbols, 2>& symbols, std::size_t per_symbol,
                           double roll_off = 0.1) {
  const PulseShape pulse{Pulse::kRrc, roll_off, kRate};
  Field<double> out(0, kRate * static_cast<double>(per_symbol));
  out.x = shape_symbols(symbols[0], pulse, per_symbol, fft());
  out.y = shape_symbols(symbols[1], pulse, per_symbol, fft());
  return convert_field<float>(out);
}

/// Circular Gaussian noise of mean power `power` on every sample of both rows.
inline void add_noise(Field<float>& signal, double power, std::uint64_t frame = 0) {
  RandomStream noise = stream("noise", frame);
  for (auto* row : signal.rows())
    for (auto& a : *row) a += std::complex<float>(std::sqrt(power) * noise.complex_normal());
}

/// Multiplies every sample by the Jones matrix.
inline Field<float> through(const Jones& j, const Field<float>& in) {
  Field<float> out(in.size(), in.sample_rate);
  for (std::size_t n = 0; n < in.size(); ++n) {
    const std::complex<double> x(in.x[n]), y(in.y[n]);
    out.x[n] = std::complex<float>(j[0][0] * x + j[0][1] * y);
    out.y[n] = std::complex<float>(j[1][0] * x + j[1][1] * y);
  }
  return out;
}

/// Rotation by `angle` after a phase between the polarisations.
inline Jones rotation(double angle, double retardance) {
  const std::complex<double> r = std::polar(1.0, retardance);
  return {{{std::cos(angle), -std::sin(angle) * r}, {std::sin(angle), std::cos(angle) * r}}};
}

/// The fibre's linear operator exp(+i beta2 L w^2 / 2) on one period, in double.
inline Field<float> dispersed(const Field<float>& in, double ps_per_nm) {
  Field<double> wide = convert_field<double>(in);
  const double beta2_length = accumulated_to_beta2_length(ps_per_nm);
  const std::size_t n = in.size();
  const Fft<double>& plan = fft().get<double>(n);
  for (auto* row : wide.rows()) {
    plan.forward(*row);
    for (std::size_t k = 0; k < n; ++k) {
      const double w = kTwoPi * bin_frequency(k, n, in.sample_rate);
      (*row)[k] *= std::polar(1.0 / static_cast<double>(n), 0.5 * beta2_length * w * w);
    }
    plan.inverse(*row);
  }
  return convert_field<float>(wide);
}

/// Power of (a - b) over power of b on samples [first, last) of both rows, dB.
inline double error_db(const Field<float>& a, const Field<float>& b, std::size_t first, std::size_t last) {
  double error = 0.0, power = 0.0;
  for (std::size_t p = 0; p < 2; ++p)
    for (std::size_t n = first; n < last; ++n) {
      const std::complex<double> x((*a.rows()[p])[n]), y((*b.rows()[p])[n]);
      error += std::norm(x - y);
      power += std::norm(y);
    }
  return to_db(error / power);
}

/// Wiener phase of increment variance 2 pi linewidth / rate, one value a symbol.
inline std::vector<double> wiener_phase(std::size_t count, double linewidth_hz, std::uint64_t frame = 0) {
  RandomStream steps = stream("phase", frame);
  std::vector<double> phase(count);
  double now = 0.0;
  for (auto& p : phase) {
    p = now;
    now += std::sqrt(kTwoPi * linewidth_hz / kRate) * steps.normal();
  }
  return phase;
}

/// Codes of a fine, unclipped ADC (quantisation near -80 dB), with the truth beside them.
inline Capture as_capture(const Field<float>& signal, const Sent& sent) {
  Capture capture;
  capture.sample_rate = signal.sample_rate;
  capture.lanes = Lanes(signal.size());
  const double scale = 4000.0 / std::sqrt(0.25 * mean_power(signal));
  for (std::size_t n = 0; n < signal.size(); ++n) {
    const float lanes[] = {signal.x[n].real(), signal.x[n].imag(), signal.y[n].real(), signal.y[n].imag()};
    for (std::size_t l = 0; l < 4; ++l)
      capture.lanes[l][n] = static_cast<std::int16_t>(std::lround(lanes[l] * scale));
  }
  capture.truth.emplace();
  capture.truth->bits = sent.bits;
  capture.truth->symbols = sent.symbols;
  return capture;
}

/// The lanes without `count` of their samples from `first` on: a recorder that lost some.
inline Lanes without(const Lanes& lanes, std::size_t first, std::size_t count) {
  Lanes out(lanes.samples() - count, lanes.count());
  for (std::size_t l = 0; l < lanes.count(); ++l) {
    const auto rest = std::ranges::copy(lanes[l].first(first), out[l].begin()).out;
    std::ranges::copy(lanes[l].subspan(first + count), rest);
  }
  return out;
}

/// As a receiver of one polarisation records them.
inline Lanes x_alone(const Lanes& lanes) {
  Lanes out(lanes.samples(), 2);
  for (std::size_t l = 0; l < 2; ++l) std::ranges::copy(lanes[l], out[l].begin());
  return out;
}

}  // namespace cohlink::test
