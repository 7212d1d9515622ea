#include "sim/frontend/frontend.h"

#include <algorithm>
#include <cmath>
#include <numeric>
#include <stdexcept>

#include "sim/electronics/lanes.h"
#include "sim/signal/instruction_sets.h"
#include "sim/signal/phasors.h"
#include "sim/signal/units.h"

namespace cohlink {
namespace {

constexpr std::size_t kBlock = 512;  // samples detected side by side, so that the loops run in vectors
using Powers = std::array<double, kBlock>;
using Normals = std::array<float, kBlock>;  // noise need not be known to more than 5e-7 of itself
struct Fields {
  std::array<double, kBlock> re, im;
};

// Light power on the four photodiodes of one polarisation [W].
struct DiodePowers {
  Powers i_plus, i_minus, q_plus, q_minus;
};

// A field and the factor it arrives with.
struct Share {
  const Fields& field;
  std::complex<double> weight;
};

COHLINK_VECTOR_CLONES
void power_of_sum(const Share& a, const Share& b, std::size_t count, double* __restrict power) {
  const double ar = a.weight.real(), ai = a.weight.imag(), br = b.weight.real(), bi = b.weight.imag();
  for (std::size_t t = 0; t < count; ++t) {
    const double re = ar * a.field.re[t] - ai * a.field.im[t] + br * b.field.re[t] - bi * b.field.im[t];
    const double im = ar * a.field.im[t] + ai * a.field.re[t] + br * b.field.im[t] + bi * b.field.re[t];
    power[t] = re * re + im * im;
  }
}

// I + iQ without noise.
COHLINK_VECTOR_CLONES
void balanced_currents(BalancedPair pair, const DiodePowers& on, std::size_t count,
                       std::complex<double>* __restrict out) {
  for (std::size_t t = 0; t < count; ++t)
    out[t] = {pair(on.i_plus[t], on.i_minus[t]), pair(on.q_plus[t], on.q_minus[t])};
}

// Standard normals of both lanes of a polarisation for either kind of noise.
struct LaneNormals {
  std::array<Normals, 2> shot{}, thermal{};
};

COHLINK_VECTOR_CLONES
void add_pair_noise(BalancedPair pair, const DiodePowers& on, const LaneNormals& drawn, std::size_t count,
                    std::complex<double>* __restrict out) {
  const auto &shot = drawn.shot, &thermal = drawn.thermal;
  for (std::size_t t = 0; t < count; ++t)
    out[t] += std::complex<double>(pair.noise(on.i_plus[t], on.i_minus[t], shot[0][t], thermal[0][t]),
                                   pair.noise(on.q_plus[t], on.q_minus[t], shot[1][t], thermal[1][t]));
}

// What one output of the splitter gets of both polarisations.
COHLINK_VECTOR_CLONES
void split(const std::complex<double>* x, const std::complex<double>* y,
           const std::array<std::complex<double>, 2>& of, std::size_t count, Fields& __restrict out) {
  const double xr = of[0].real(), xi = of[0].imag(), yr = of[1].real(), yi = of[1].imag();
  for (std::size_t t = 0; t < count; ++t) {
    out.re[t] = xr * x[t].real() - xi * x[t].imag() + yr * y[t].real() - yi * y[t].imag();
    out.im[t] = xr * x[t].imag() + xi * x[t].real() + yr * y[t].imag() + yi * y[t].real();
  }
}

COHLINK_VECTOR_CLONES
void parts_of(const std::complex<double>* row, std::size_t count, Fields& __restrict out) {
  for (std::size_t t = 0; t < count; ++t) out.re[t] = row[t].real(), out.im[t] = row[t].imag();
}

// One polarisation: its hybrid and its two pairs of photodiodes.
class Detector {
 public:
  Detector(const FrontendParameters& p, const LocalOscillatorParameters& lo, std::size_t pol,
           double sample_rate)
      : pair_(p.photodiodes_of(pol), sample_rate), fields_(diode_fields(p, lo, pol)) {}

  /// The hybrid is linear: a diode's field is that of the signal alone plus that of the oscillator alone.
  void light(const Fields& signal, const Fields& wave, std::size_t count, DiodePowers& out) const {
    const auto one = [&](std::complex<double> a, std::complex<double> b, Powers& power) {
      power_of_sum({signal, a}, {wave, b}, count, power.data());
    };
    const auto& [of_signal, of_oscillator] = fields_;
    one(of_signal.i_plus, of_oscillator.i_plus, out.i_plus);
    one(of_signal.i_minus, of_oscillator.i_minus, out.i_minus);
    one(of_signal.q_plus, of_oscillator.q_plus, out.q_plus);
    one(of_signal.q_minus, of_oscillator.q_minus, out.q_minus);
  }

  /// Those of the minus diodes alone.
  void minus_currents(const DiodePowers& on, std::size_t count, std::complex<double>* out) const {
    for (std::size_t t = 0; t < count; ++t)
      out[t] = {pair_.minus_current(on.i_minus[t]), pair_.minus_current(on.q_minus[t])};
  }

  const BalancedPair& pair() const { return pair_; }

 private:
  BalancedPair pair_;
  DiodeFields fields_;
};

// Normals for both lanes of a polarisation: in a frame of n samples, lane l has numbers l n to (l + 1) n - 1.
void draw(const RandomStream& stream, std::size_t first_of_lane, std::size_t n, std::size_t count,
          std::array<Normals, 2>& out) {
  stream.fill_normals(first_of_lane, 1.0, std::span<float>(out[0].data(), count));
  stream.fill_normals(first_of_lane + n, 1.0, std::span<float>(out[1].data(), count));
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

DiodeFields diode_fields(const FrontendParameters& p, const LocalOscillatorParameters& lo, std::size_t pol) {
  const Hybrid& hybrid = p.hybrid_of(pol);
  const double loss = std::sqrt(hybrid.transmission);
  return {hybrid(loss, 0.0, hybrid.shifter()),
          hybrid(0.0, loss * std::sqrt(p.oscillator_power(lo.power, pol)), hybrid.shifter())};
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
    std::array<std::complex<double>, kBlock> wave;
    for (std::size_t k = 0; k < run.count; ++k)
      phase[k] = oscillator.phase[run.start + k] + turn * static_cast<double>(run.start + k);
    fill_phasors({phase.data(), run.count}, {wave.data(), run.count});
    if (!oscillator.relative_power.empty())
      for (std::size_t k = 0; k < run.count; ++k) wave[k] *= oscillator.amplitude(run.start + k);
    parts_of(wave.data(), run.count, out.wave);
    const std::complex<double>*x = received.x.data() + run.start, *y = received.y.data() + run.start;
    split(x, y, {splitter.xx, splitter.xy}, run.count, out.signal[0]);
    split(x, y, {splitter.yx, splitter.yy}, run.count, out.signal[1]);
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
    if (pair.has_shot_noise()) draw(shot_, first, samples_, run.count, drawn_.shot);
    if (pair.has_thermal_noise()) draw(thermal_, first, samples_, run.count, drawn_.thermal);
    add_pair_noise(pair, on, drawn_, run.count, currents);
  }

 private:
  RandomStream shot_, thermal_;
  std::size_t samples_;
  LaneNormals drawn_;
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
      balanced_currents(detector[pol].pair(), on, run.count, rows[pol]->data() + start);
      if (!minus[pol].empty()) detector[pol].minus_currents(on, run.count, minus[pol].data() + start);
      noise.add(detector[pol], on, pol, run, rows[pol]->data() + start);
    }
  }
  for (std::size_t pol = 0; pol < 2; ++pol)
    if (!minus[pol].empty())
      delay_minus(*rows[pol], std::move(minus[pol]), rate, p.pn_skew[pol], execution.ffts());
  return currents;
}

namespace {

// Eight sums side by side: one alone would wait for every addition.
COHLINK_VECTOR_CLONES
void add_products(const double* x, const double* y, std::size_t numbers, double (*sums)[8]) {
  for (std::size_t t = 0; t + 8 <= numbers; t += 8)
    for (std::size_t k = 0; k < 8; ++k) {
      sums[0][k] += x[t + k] * x[t + k];
      sums[1][k] += y[t + k] * y[t + k];
      sums[2][k] += x[t + k] * y[t + k];
      sums[3][k] += x[(t + k) ^ 1] * y[t + k];  // imaginary x by real y, real x by imaginary y
    }
}

}  // namespace

Coherency coherency(const Field<double>& field) {
  const std::size_t whole = field.size() / 4 * 4;
  double sums[4][8] = {};
  add_products(reinterpret_cast<const double*>(field.x.data()),
               reinterpret_cast<const double*>(field.y.data()), 2 * whole, sums);
  Coherency out;
  for (std::size_t k = 0; k < 8; ++k) {
    out.x += sums[0][k];
    out.y += sums[1][k];
    out.xy += std::complex<double>(sums[2][k], k % 2 == 0 ? sums[3][k] : -sums[3][k]);
  }
  for (std::size_t t = whole; t < field.size(); ++t) {
    out.x += std::norm(field.x[t]);
    out.y += std::norm(field.y[t]);
    out.xy += field.x[t] * std::conj(field.y[t]);
  }
  const double each = 1.0 / static_cast<double>(field.size());
  return {each * out.x, each * out.y, each * out.xy};
}

PowerAtDiodes power_at_diodes(const Coherency& received, const Oscillator& oscillator,
                              const FrontendParameters& p) {
  const auto& [lo, lo_trace] = oscillator;
  const JonesMatrix splitter = splitter_matrix(p.splitter);
  const double signal[2] = {received.power_of(splitter.xx, splitter.xy),
                            received.power_of(splitter.yx, splitter.yy)};
  const auto& powers = lo_trace.relative_power;
  const double relative =
      powers.empty() ? 1.0 : std::reduce(powers.begin(), powers.end()) / static_cast<double>(powers.size());
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
