#include "sim/frontend/frontend.h"

#include <cmath>
#include <stdexcept>

#include "sim/electronics/lanes.h"
#include "sim/signal/units.h"

namespace cohlink {
namespace {

// One polarisation: its hybrid and its two pairs of photodiodes.
class Detector {
 public:
  Detector(const FrontendParameters& p, const LocalOscillatorParameters& lo, std::size_t pol,
           double sample_rate)
      : hybrid_(p.hybrid_of(pol)),
        pair_(p.photodiodes_of(pol), sample_rate),
        loss_(std::sqrt(hybrid_.transmission)),
        oscillator_(loss_ * std::sqrt(p.oscillator_power(lo.power, pol))),
        shifter_(hybrid_.shifter()) {}

  /// Currents I + iQ; those of the minus diodes alone go to `minus` where it is wanted.
  std::complex<double> operator()(std::complex<double> signal, std::complex<double> wave, RandomStream& shot,
                                  RandomStream& thermal, std::complex<double>* minus) const {
    const HybridOutputs h = hybrid_(loss_ * signal, oscillator_ * wave, shifter_);
    if (minus) *minus = {pair_.minus_current(h.i_minus), pair_.minus_current(h.q_minus)};
    const double i = pair_(h.i_plus, h.i_minus, shot, thermal);
    return {i, pair_(h.q_plus, h.q_minus, shot, thermal)};
  }

 private:
  Hybrid hybrid_;
  BalancedPair pair_;
  double loss_, oscillator_;
  std::complex<double> shifter_;
};

// Minus currents, so far subtracted in time, arrive late instead.
void delay_minus(ComplexRow<double>& currents, ComplexRow<double> minus, double sample_rate, double skew,
                 FftCache& fft) {
  for (std::size_t t = 0; t < minus.size(); ++t) currents[t] += minus[t];
  delay_lanes(minus, sample_rate, skew, skew, fft);
  for (std::size_t t = 0; t < minus.size(); ++t) currents[t] -= minus[t];
}

}  // namespace

PhotodiodeParameters FrontendParameters::photodiodes_of(std::size_t pol) const {
  PhotodiodeParameters diodes = photodiodes;
  if (pol == 1 && mismatch_y) diodes.mismatch = *mismatch_y;
  return diodes;
}

double FrontendParameters::oscillator_power(double power, std::size_t pol) const {
  const double to_x = oscillator_split / (1.0 + oscillator_split);
  return power * oscillator_transmission * (pol == 0 ? to_x : 1.0 - to_x);
}

Photocurrents detect(const Field<double>& received, const LocalOscillatorParameters& lo,
                     const LaserTrace& lo_trace, const FrontendParameters& p, const RandomStreams& streams,
                     FftCache& fft) {
  if (lo_trace.phase.size() != received.size())
    throw std::invalid_argument("oscillator phase and field differ in length");
  const JonesMatrix splitter = splitter_matrix(p.splitter);
  const double rate = received.sample_rate;
  const double turn = -kTwoPi * lo.frequency_offset / rate;  // a higher optical frequency is a negative bin
  const Detector of_x(p, lo, 0, rate), of_y(p, lo, 1, rate);
  RandomStream shot = streams.stream("shot-noise"), thermal = streams.stream("thermal-noise");
  Photocurrents currents(received.size(), rate);
  std::array<ComplexRow<double>, 2> minus;
  for (std::size_t pol = 0; pol < 2; ++pol)
    if (p.pn_skew[pol] != 0.0) minus[pol].resize(received.size());
  const auto of = [&](std::size_t pol, std::size_t t) {
    return minus[pol].empty() ? nullptr : &minus[pol][t];
  };
  for (std::size_t t = 0; t < received.size(); ++t) {
    const auto wave = std::polar(lo_trace.amplitude(t), lo_trace.phase[t] + turn * static_cast<double>(t));
    const auto x = splitter.xx * received.x[t] + splitter.xy * received.y[t];
    const auto y = splitter.yx * received.x[t] + splitter.yy * received.y[t];
    currents.x[t] = of_x(x, wave, shot, thermal, of(0, t));
    currents.y[t] = of_y(y, wave, shot, thermal, of(1, t));
  }
  const auto rows = currents.rows();
  for (std::size_t pol = 0; pol < 2; ++pol)
    if (!minus[pol].empty()) delay_minus(*rows[pol], std::move(minus[pol]), rate, p.pn_skew[pol], fft);
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
  PowerAtDiodes out;
  const auto light = [&](const HybridOutputs& h, double power, std::size_t pol, PerPhotodiode& diodes) {
    power *= p.hybrid_of(pol).transmission;
    diodes[2 * pol] = {power * std::norm(h.i_plus), power * std::norm(h.i_minus)};
    diodes[2 * pol + 1] = {power * std::norm(h.q_plus), power * std::norm(h.q_minus)};
  };
  for (std::size_t pol = 0; pol < 2; ++pol) {
    const Hybrid& hybrid = p.hybrid_of(pol);
    light(hybrid(1.0, 0.0, hybrid.shifter()), signal[pol], pol, out.signal);
    light(hybrid(0.0, 1.0, hybrid.shifter()), relative * p.oscillator_power(lo.power, pol), pol,
          out.oscillator);
  }
  return out;
}

}  // namespace cohlink
