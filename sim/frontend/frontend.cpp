#include "sim/frontend/frontend.h"

#include <cmath>
#include <stdexcept>

#include "sim/signal/units.h"

namespace cohlink {

Photocurrents detect(const Field<double>& received, const LocalOscillatorParameters& lo,
                     const LaserTrace& lo_trace, const FrontendParameters& p, const RandomStreams& streams) {
  if (lo_trace.phase.size() != received.size())
    throw std::invalid_argument("oscillator phase and field differ in length");
  const JonesMatrix splitter = splitter_matrix(p.splitter);
  const double split = p.oscillator_split / (1.0 + p.oscillator_split),
               loss = std::sqrt(p.hybrid.transmission);
  const double lo_x = loss * std::sqrt(lo.power * split), lo_y = loss * std::sqrt(lo.power * (1.0 - split));
  const auto shifter = p.hybrid.shifter();
  const double turn =
      -kTwoPi * lo.frequency_offset / received.sample_rate;  // a higher optical frequency is a negative bin
  const BalancedPair pair(p.photodiodes, received.sample_rate);
  RandomStream shot = streams.stream("shot-noise"), thermal = streams.stream("thermal-noise");
  Photocurrents currents(received.size(), received.sample_rate);
  for (std::size_t t = 0; t < received.size(); ++t) {
    const auto wave = std::polar(lo_trace.amplitude(t), lo_trace.phase[t] + turn * static_cast<double>(t));
    const auto output = [&](std::complex<double> signal, double lo_amplitude) {
      const HybridOutputs h = p.hybrid(loss * signal, lo_amplitude * wave, shifter);
      const double i = pair(h.i_plus, h.i_minus, shot, thermal);
      return std::complex<double>(i, pair(h.q_plus, h.q_minus, shot, thermal));
    };
    const auto x = splitter.xx * received.x[t] + splitter.xy * received.y[t];
    const auto y = splitter.yx * received.x[t] + splitter.yy * received.y[t];
    currents.x[t] = output(x, lo_x);
    currents.y[t] = output(y, lo_y);
  }
  return currents;
}

PowerAtDiodes power_at_diodes(const Field<double>& received, const LocalOscillatorParameters& lo,
                              const LaserTrace& lo_trace, const FrontendParameters& p) {
  const JonesMatrix splitter = splitter_matrix(p.splitter);
  const double each = 1.0 / static_cast<double>(received.size());
  double signal[2] = {0.0, 0.0}, relative = 0.0;
  for (std::size_t t = 0; t < received.size(); ++t) {
    signal[0] += each * std::norm(splitter.xx * received.x[t] + splitter.xy * received.y[t]);
    signal[1] += each * std::norm(splitter.yx * received.x[t] + splitter.yy * received.y[t]);
    relative += each * std::pow(lo_trace.amplitude(t), 2);
  }
  const double split = p.oscillator_split / (1.0 + p.oscillator_split);
  const double oscillator[2] = {lo.power * split * relative, lo.power * (1.0 - split) * relative};
  const auto of_signal = p.hybrid(1.0, 0.0, p.hybrid.shifter()),
             of_oscillator = p.hybrid(0.0, 1.0, p.hybrid.shifter());
  PowerAtDiodes out;
  const auto light = [&](const HybridOutputs& h, double power, std::size_t pol, PerPhotodiode& diodes) {
    power *= p.hybrid.transmission;
    diodes[2 * pol] = {power * std::norm(h.i_plus), power * std::norm(h.i_minus)};
    diodes[2 * pol + 1] = {power * std::norm(h.q_plus), power * std::norm(h.q_minus)};
  };
  for (std::size_t pol = 0; pol < 2; ++pol) {
    light(of_signal, signal[pol], pol, out.signal);
    light(of_oscillator, oscillator[pol], pol, out.oscillator);
  }
  return out;
}

}  // namespace cohlink
