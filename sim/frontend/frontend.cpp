#include "sim/frontend/frontend.h"

#include <cmath>
#include <stdexcept>

#include "sim/frontend/hybrid.h"
#include "sim/signal/units.h"
#include "sim/transmitter/laser.h"

namespace cohlink {
namespace {

// The two photodiodes of a balanced output, without noise.
double balanced(std::complex<double> plus, std::complex<double> minus) {
  return std::norm(plus) - std::norm(minus);
}
double total(std::complex<double> plus, std::complex<double> minus) {
  return std::norm(plus) + std::norm(minus);
}

// Noise of one balanced output: draws only what is switched on, so that off costs nothing.
class OutputNoise {
 public:
  OutputNoise(const FrontendParameters& p, double sample_rate, const RandomStreams& streams)
      : shot_(streams.stream("shot-noise")),
        thermal_(streams.stream("thermal-noise")),
        // One-sided 2 q I over half the sample rate: variance q I per A of current, times the rate.
        shot_scale_(p.shot_noise ? std::sqrt(kElementaryCharge * p.responsivity * sample_rate) : 0.0),
        thermal_sigma_(p.thermal_noise * std::sqrt(sample_rate / 2.0)) {}
  double operator()(double optical_power) {
    double noise = 0.0;
    if (shot_scale_ > 0.0) noise += shot_scale_ * std::sqrt(optical_power) * shot_.normal();
    if (thermal_sigma_ > 0.0) noise += thermal_sigma_ * thermal_.normal();
    return noise;
  }

 private:
  RandomStream shot_, thermal_;
  double shot_scale_, thermal_sigma_;
};

}  // namespace

std::vector<double> oscillator_phase(const LocalOscillatorParameters& lo, std::size_t samples,
                                     double sample_rate, const RandomStreams& streams) {
  return laser_phase(samples, sample_rate, lo.linewidth, streams.stream("lo-phase"));
}

Photocurrents detect(const Field<double>& received, const LocalOscillatorParameters& lo,
                     const std::vector<double>& lo_phase, const FrontendParameters& p,
                     const RandomStreams& streams) {
  if (lo_phase.size() != received.size())
    throw std::invalid_argument("oscillator phase and field differ in length");
  const double power = mean_power(received);
  const double scale = power > 0.0 ? std::sqrt(p.received_power / power) : 0.0;
  const double lo_amplitude = std::sqrt(lo.power / 2.0);  // the splitter gives each polarisation half
  const auto shifter = std::polar(1.0, -kPi / 2.0 + p.hybrid_phase_error);
  const double turn =
      -kTwoPi * lo.frequency_offset / received.sample_rate;  // a higher optical frequency is a negative bin
  OutputNoise noise(p, received.sample_rate, streams);
  Photocurrents currents(received.size(), received.sample_rate);
  for (std::size_t t = 0; t < received.size(); ++t) {
    const auto oscillator = std::polar(lo_amplitude, lo_phase[t] + turn * static_cast<double>(t));
    const auto output = [&](std::complex<double> signal) {
      const HybridOutputs h = hybrid(scale * signal, oscillator, shifter);
      const double i = p.responsivity * balanced(h.i_plus, h.i_minus) + noise(total(h.i_plus, h.i_minus));
      const double q = p.responsivity * balanced(h.q_plus, h.q_minus) + noise(total(h.q_plus, h.q_minus));
      return std::complex<double>(i, q);
    };
    currents.x[t] = output(received.x[t]);
    currents.y[t] = output(received.y[t]);
  }
  return currents;
}

std::complex<double> bessel_response(double frequency, double bandwidth) {
  // H(s) = 105 / (s^4 + 10 s^3 + 45 s^2 + 105 s + 105): unit delay at DC, 3 dB down at |s|
  // = 2.11391767490422.
  constexpr double kThreeDb = 2.11391767490422;
  const double w = kThreeDb * frequency / bandwidth;
  const std::complex<double> s(0.0, w);
  return 105.0 / ((((s + 10.0) * s + 45.0) * s + 105.0) * s + 105.0) * std::polar(1.0, w);
}

}  // namespace cohlink
