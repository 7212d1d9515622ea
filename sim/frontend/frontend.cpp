#include "sim/frontend/frontend.h"

#include <algorithm>
#include <cmath>
#include <stdexcept>

#include "sim/electronics/lanes.h"
#include "sim/signal/phasors.h"
#include "sim/signal/units.h"

namespace cohlink {
namespace {

constexpr std::size_t kBlock = 512;  // samples detected side by side, so that the fields run in vectors
using Fields = std::array<std::complex<double>, kBlock>;
using Powers = std::array<double, kBlock>;
using Normals = std::array<double, kBlock>;

// Light power on the four photodiodes of one polarisation [W].
struct DiodePowers {
  Powers i_plus, i_minus, q_plus, q_minus;
};

// One polarisation: its hybrid and its two pairs of photodiodes.
class Detector {
 public:
  Detector(const FrontendParameters& p, const LocalOscillatorParameters& lo, std::size_t pol,
           double sample_rate)
      : pair_(p.photodiodes_of(pol), sample_rate) {
    const Hybrid& hybrid = p.hybrid_of(pol);
    const double loss = std::sqrt(hybrid.transmission);
    of_signal_ = hybrid(loss, 0.0, hybrid.shifter());
    of_oscillator_ = hybrid(0.0, loss * std::sqrt(p.oscillator_power(lo.power, pol)), hybrid.shifter());
  }

  /// The hybrid is linear: a diode's field is that of the signal alone plus that of the oscillator alone.
  void light(const Fields& signal, const Fields& wave, std::size_t count, DiodePowers& out) const {
    const auto one = [&](std::complex<double> of_signal, std::complex<double> of_oscillator, Powers& power) {
      for (std::size_t t = 0; t < count; ++t)
        power[t] = std::norm(of_signal * signal[t] + of_oscillator * wave[t]);
    };
    one(of_signal_.i_plus, of_oscillator_.i_plus, out.i_plus);
    one(of_signal_.i_minus, of_oscillator_.i_minus, out.i_minus);
    one(of_signal_.q_plus, of_oscillator_.q_plus, out.q_plus);
    one(of_signal_.q_minus, of_oscillator_.q_minus, out.q_minus);
  }

  /// Currents I + iQ without noise.
  void currents(const DiodePowers& on, std::size_t count, std::complex<double>* out) const {
    for (std::size_t t = 0; t < count; ++t)
      out[t] = {pair_(on.i_plus[t], on.i_minus[t]), pair_(on.q_plus[t], on.q_minus[t])};
  }

  /// Those of the minus diodes alone.
  void minus_currents(const DiodePowers& on, std::size_t count, std::complex<double>* out) const {
    for (std::size_t t = 0; t < count; ++t)
      out[t] = {pair_.minus_current(on.i_minus[t]), pair_.minus_current(on.q_minus[t])};
  }

  const BalancedPair& pair() const { return pair_; }

  /// Adds noise to both currents, by a standard normal of either kind for each lane and sample.
  void add_noise(const DiodePowers& on, std::size_t count, const std::array<Normals, 2>& shot,
                 const std::array<Normals, 2>& thermal, std::complex<double>* out) const {
    for (std::size_t t = 0; t < count; ++t)
      out[t] += std::complex<double>(pair_.noise(on.i_plus[t], on.i_minus[t], shot[0][t], thermal[0][t]),
                                     pair_.noise(on.q_plus[t], on.q_minus[t], shot[1][t], thermal[1][t]));
  }

 private:
  BalancedPair pair_;
  HybridOutputs of_signal_, of_oscillator_;  // fields at the diodes per unit of either
};

// Normals for both lanes of a polarisation: in a frame of n samples, lane l has numbers l n to (l + 1) n - 1.
void draw(const RandomStream& stream, std::size_t first_of_lane, std::size_t n, std::size_t count,
          std::array<Normals, 2>& out) {
  stream.fill_normals(first_of_lane, 1.0, std::span(out[0].data(), count));
  stream.fill_normals(first_of_lane + n, 1.0, std::span(out[1].data(), count));
}

// Minus currents, so far subtracted in time, arrive late instead.
void delay_minus(ComplexRow<double>& currents, ComplexRow<double> minus, double sample_rate, double skew,
                 const FftCache& fft) {
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

namespace {

// Samples [start, start + count).
struct Run {
  std::size_t start, count;
};

// Light of both polarisations and the oscillator over one run.
struct LightBlock {
  Fields wave;
  std::array<Fields, 2> signal;
};

// What the polarisation splitter and the oscillator give, `turn` its angle a sample.
struct LightSource {
  const Field<double>& received;
  JonesMatrix splitter;
  const LaserTrace& oscillator;
  double turn;

  void operator()(const Run& run, LightBlock& out) const {
    std::array<double, kBlock> phase;
    for (std::size_t k = 0; k < run.count; ++k)
      phase[k] = oscillator.phase[run.start + k] + turn * static_cast<double>(run.start + k);
    fill_phasors({phase.data(), run.count}, {out.wave.data(), run.count});
    for (std::size_t k = 0; k < run.count; ++k) {
      const std::size_t t = run.start + k;
      out.wave[k] *= oscillator.amplitude(t);
      out.signal[0][k] = splitter.xx * received.x[t] + splitter.xy * received.y[t];
      out.signal[1][k] = splitter.yx * received.x[t] + splitter.yy * received.y[t];
    }
  }
};

// Shot and thermal noise of each lane, by the numbers of its samples.
class PairNoise {
 public:
  PairNoise(const RandomStreams& streams, std::size_t samples)
      : shot_(streams.stream("shot-noise")), thermal_(streams.stream("thermal-noise")), samples_(samples) {}

  void add(const Detector& detector, const DiodePowers& on, std::size_t pol, const Run& run,
           std::complex<double>* currents) {
    const BalancedPair& pair = detector.pair();
    if (!pair.has_shot_noise() && !pair.has_thermal_noise()) return;
    const std::size_t first = 2 * pol * samples_ + run.start;
    if (pair.has_shot_noise()) draw(shot_, first, samples_, run.count, shots_);
    if (pair.has_thermal_noise()) draw(thermal_, first, samples_, run.count, thermals_);
    detector.add_noise(on, run.count, shots_, thermals_, currents);
  }

 private:
  RandomStream shot_, thermal_;
  std::size_t samples_;
  std::array<Normals, 2> shots_{}, thermals_{};
};

}  // namespace

Photocurrents detect(const Field<double>& received, const Oscillator& oscillator, const FrontendParameters& p,
                     const RandomStreams& streams, const Execution& execution) {
  const auto& [lo, lo_trace] = oscillator;
  if (lo_trace.phase.size() != received.size())
    throw std::invalid_argument("oscillator phase and field differ in length");
  const double rate = received.sample_rate;
  // A higher optical frequency is a negative bin.
  const LightSource source{received, splitter_matrix(p.splitter), lo_trace,
                           -kTwoPi * lo.frequency_offset / rate};
  const std::array<Detector, 2> detector = {Detector(p, lo, 0, rate), Detector(p, lo, 1, rate)};
  PairNoise noise(streams, received.size());
  Photocurrents currents(received.size(), rate);
  const auto rows = currents.rows();
  std::array<ComplexRow<double>, 2> minus;
  for (std::size_t pol = 0; pol < 2; ++pol)
    if (p.pn_skew[pol] != 0.0) minus[pol].resize(received.size());
  LightBlock light;
  DiodePowers on;
  for (std::size_t start = 0; start < received.size(); start += kBlock) {
    execution.check();
    const Run run{start, std::min(kBlock, received.size() - start)};
    source(run, light);
    for (std::size_t pol = 0; pol < 2; ++pol) {
      detector[pol].light(light.signal[pol], light.wave, run.count, on);
      detector[pol].currents(on, run.count, rows[pol]->data() + start);
      if (!minus[pol].empty()) detector[pol].minus_currents(on, run.count, minus[pol].data() + start);
      noise.add(detector[pol], on, pol, run, rows[pol]->data() + start);
    }
  }
  for (std::size_t pol = 0; pol < 2; ++pol)
    if (!minus[pol].empty())
      delay_minus(*rows[pol], std::move(minus[pol]), rate, p.pn_skew[pol], execution.ffts());
  return currents;
}

PowerAtDiodes power_at_diodes(const Field<double>& received, const Oscillator& oscillator,
                              const FrontendParameters& p) {
  const auto& [lo, lo_trace] = oscillator;
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
