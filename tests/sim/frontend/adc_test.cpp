// The converter: sampling instants, lane and sub-converter errors, loading and clipping.
#include "sim/frontend/adc.h"

#include <doctest/doctest.h>

#include <cmath>

#include "sim/electronics/lanes.h"
#include "sim/signal/units.h"

using namespace cohlink;
using Complex = std::complex<double>;

namespace {

constexpr std::size_t kSamples = 1 << 14;
constexpr double kRate = 64e9;

// The same sine in all four lanes: full-scale amplitude times `level`, `cycles` a frame.
ElectricalLanes sine_lanes(int cycles, double level = 1.0) {
  ElectricalLanes lanes{Field<double>(kSamples, kRate), {1, 1, 1, 1}};
  for (std::size_t t = 0; t < kSamples; ++t) {
    const double s = level * std::sin(kTwoPi * cycles * static_cast<double>(t) / kSamples + 0.1);
    lanes.currents.x[t] = lanes.currents.y[t] = {s, s};
  }
  return lanes;
}

AdcParameters converter(int bits = 16) {
  AdcParameters p;
  p.sample_rate = kRate;
  p.quantiser.bits = bits;
  p.full_scale = 1.001;  // with a transimpedance of 1: volts are amperes
  return p;
}

AdcOutput converted(const ElectricalLanes& lanes, const AdcParameters& p) {
  FftCache fft(FftPlanning::kEstimate, "");
  return convert(lanes, p, draw_adc_errors(p, RandomStreams(1)), RandomStreams(1), fft);
}

// Amplitude and phase of `cycles` a frame in a lane of kSamples codes, in full scales.
Complex tone_of(const AdcOutput& out, std::size_t lane, double cycles) {
  Complex sum = 0;
  for (std::size_t k = 0; k < out.lanes[lane].size(); ++k)
    sum += out.lanes[lane][k] * out.ampere_per_code[lane] *
           std::polar(2.0 / out.lanes[lane].size(), -kTwoPi * cycles * k / kSamples);
  return sum;
}

}  // namespace

TEST_CASE("sampling at any rate keeps a band-limited waveform") {
  FftCache fft(FftPlanning::kEstimate, "");
  constexpr std::size_t n = 1024;
  ComplexRow<double> row(n);
  const auto value = [](double t) {
    return std::polar(1.0, kTwoPi * 0.03125 * t) + 0.5 * std::polar(1.0, -kTwoPi * 0.125 * t);
  };
  for (std::size_t t = 0; t < n; ++t) row[t] = value(static_cast<double>(t));
  for (const double rate : {0.5, 0.625, 1.0, 2.0, 0.777, 1.0 + 1e-4}) {
    const auto out = sample_row(row, 1.0, rate, true, fft);
    CHECK(out.size() == static_cast<std::size_t>(static_cast<double>(n) * rate));
    for (std::size_t k = 0; k < out.size(); ++k)
      CHECK(std::abs(out[k] - value(static_cast<double>(k) / rate)) < 1e-6);
  }
}

TEST_CASE("the converter loads each lane as asked, keeps its codes in range and counts what it clips") {
  FftCache fft(FftPlanning::kEstimate, "");
  auto random = RandomStreams(3).stream("noise");
  ElectricalLanes lanes{Field<double>(1 << 14, 1.0), {1, 1, 1, 1}};
  for (auto* row : lanes.currents.rows()) {
    for (auto& z : *row) z = 1e-4 * random.complex_normal();
  }
  AdcParameters adc;
  adc.sample_rate = 1.0;
  adc.quantiser.bits = 6;
  adc.loading = amplitude_from_db(-6.0);
  const AdcOutput out = convert(lanes, adc, AdcErrors{}, RandomStreams(1), fft);
  std::uint64_t at_rails = 0;
  for (std::size_t lane = 0; lane < 4; ++lane) {
    double power = 0.0;
    for (const int code : out.lanes[lane]) {
      CHECK(code >= -32);
      CHECK(code <= 31);
      at_rails += code == -32 || code == 31;
      power += static_cast<double>(code) * code;
    }
    CHECK(std::sqrt(power / (1 << 14)) ==
          doctest::Approx(32.0 * std::pow(10.0, -0.3)).epsilon(0.06));  // clipping takes some
    CHECK(out.ampere_per_code[lane] ==
          doctest::Approx(1e-4 / std::sqrt(2.0) / (32.0 * std::pow(10.0, -0.3))).epsilon(0.03));
  }
  // Gaussian beyond +-2 sigma: 4.55 %.
  CHECK(static_cast<double>(out.clipped_samples) / (4 << 14) == doctest::Approx(0.0455).epsilon(0.1));
  CHECK(at_rails >= out.clipped_samples);
}

TEST_CASE("under manual gain the scale is full scale over transimpedance, whatever the signal") {
  AdcParameters p = converter(8);
  p.full_scale = 0.5;
  ElectricalLanes lanes = sine_lanes(101, 1e-6);
  lanes.transimpedance = {1000, 1000, 2000, 2000};
  const AdcOutput out = converted(lanes, p);
  CHECK(out.ampere_per_code[0] == doctest::Approx(0.5 / 1000 / 128));
  CHECK(out.ampere_per_code[3] == doctest::Approx(0.5 / 2000 / 128));
}

TEST_CASE("a lane's skew, the clock's phase and its offset move the samples as stated") {
  AdcParameters p = converter();
  p.skew = {0.0, 2e-12, -3e-12, 5e-12};
  const int cycles = 2001;
  const double w = kTwoPi * cycles * kRate / kSamples;
  const AdcOutput still = converted(sine_lanes(cycles), converter());
  AdcOutput out = converted(sine_lanes(cycles), p);
  for (std::size_t lane = 0; lane < 4; ++lane)
    CHECK(std::abs(std::arg(tone_of(still, lane, cycles) / tone_of(out, lane, cycles)) / w - p.skew[lane]) <
          1e-15);
  p = converter();
  p.clock_phase = 0.25;
  out = converted(sine_lanes(cycles), p);
  CHECK(std::abs(std::arg(tone_of(out, 0, cycles) / tone_of(still, 0, cycles)) / w - 0.25 / kRate) < 1e-15);
  p = converter();
  p.clock_offset = 100e-6;  // a fast clock takes more samples and sees a lower frequency
  out = converted(sine_lanes(cycles), p);
  CHECK(out.lanes[0].size() == static_cast<std::size_t>(kSamples * (1 + 100e-6)));
  CHECK(std::abs(tone_of(out, 0, cycles / (1 + 100e-6))) == doctest::Approx(1.0).epsilon(1e-3));
  CHECK(std::abs(std::arg(tone_of(out, 0, cycles / (1 + 100e-6)) / tone_of(still, 0, cycles))) < 1e-3);
}

TEST_CASE("gain and offset spreads have mean zero and exactly the asked rms, and act on the codes") {
  AdcParameters p = converter();
  p.gain_spread_db = 0.5;
  p.offset_spread = 0.01;
  const AdcErrors errors = draw_adc_errors(p, RandomStreams(1));
  double gain2 = 0, offset2 = 0, sum = 0;
  for (std::size_t l = 0; l < 4; ++l) {
    gain2 += std::pow(20 * std::log10(errors.gain[l]), 2) / 4;
    offset2 += std::pow(errors.offset[l], 2) / 4;
    sum += errors.offset[l];
  }
  CHECK(std::sqrt(gain2) == doctest::Approx(0.5).epsilon(1e-9));
  CHECK(std::sqrt(offset2) == doctest::Approx(0.01).epsilon(1e-9));
  CHECK(std::abs(sum) < 1e-15);
  const AdcOutput out = converted(sine_lanes(101, 0.5), p);
  for (std::size_t l = 0; l < 4; ++l) {
    double mean = 0;
    for (const int code : out.lanes[l]) mean += code / static_cast<double>(kSamples);
    CHECK(mean / 32768 == doctest::Approx(errors.offset[l]).epsilon(1e-3));
    CHECK(std::abs(tone_of(out, l, 101)) == doctest::Approx(0.5 * errors.gain[l]).epsilon(1e-4));
  }
}

TEST_CASE("interleaving spurs lie where M sub-converters put them, with the power of the spread") {
  // Gain errors multiply by a sequence of period M: spurs at f + k fs/M that share gain^2 of the tone's
  // power; timing errors likewise share (2 pi f dt)^2; offsets make tones at k fs/M. N. Kurosawa et al., IEEE
  // Trans. Circuits Syst. I 48(3) 261 (2001).
  constexpr int m = 4, cycles = 1001;
  const auto spur_power = [&](const AdcOutput& out) {  // over the tone's, all spurs of the tone together
    double sum = 0;
    for (int k = 1; k < m; ++k)
      sum += std::norm(tone_of(out, 0, cycles + k * static_cast<double>(kSamples) / m));
    return sum / std::norm(tone_of(out, 0, cycles));
  };
  AdcParameters p = converter();
  p.interleaving.count = m;
  CHECK(to_db(spur_power(converted(sine_lanes(cycles), p))) < -100.0);
  p.interleaving.gain = 0.01;
  CHECK(to_db(spur_power(converted(sine_lanes(cycles, 0.9), p))) == doctest::Approx(-40.0).epsilon(0.002));
  p.interleaving.gain = 0.0;
  p.interleaving.timing = 300e-15;
  const double phase = kTwoPi * cycles * kRate / kSamples * 300e-15;
  CHECK(to_db(spur_power(converted(sine_lanes(cycles), p))) ==
        doctest::Approx(20 * std::log10(phase)).epsilon(0.002));
  p.interleaving.timing = 0.0;
  p.interleaving.offset = 0.01;
  const AdcOutput out = converted(sine_lanes(cycles, 0.9), p);
  double offsets = 0;  // tones at fs/4, 3fs/4 (mirror of fs/4) and fs/2, counted as complex lines
  for (int k = 1; k < m; ++k)
    offsets += std::norm(0.5 * tone_of(out, 0, k * static_cast<double>(kSamples) / m));
  CHECK(offsets == doctest::Approx(0.01 * 0.01 * 1.001 * 1.001).epsilon(0.002));
}

TEST_CASE("sinusoidal clock jitter is phase modulation of the stated peak") {
  AdcParameters p = converter();
  p.sine_jitter = 500e-15;
  p.sine_jitter_rate = 100.0 * kRate / kSamples;
  const int cycles = 3001;
  const AdcOutput out = converted(sine_lanes(cycles), p);
  const double index = kTwoPi * cycles * kRate / kSamples * p.sine_jitter;  // sidebands J1/J0 = index/2
  for (const int side : {-100, 100})
    CHECK(std::abs(tone_of(out, 2, cycles + side) / tone_of(out, 2, cycles)) ==
          doctest::Approx(std::cyl_bessel_j(1, index) / std::cyl_bessel_j(0, index)).epsilon(1e-3));
}
