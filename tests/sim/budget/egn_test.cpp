// What real symbols change in the interference, against a pointwise Kerr effect and against limits that have
// a closed form. Its agreement with split steps is in tests/published.
#include <doctest/doctest.h>

#include <array>
#include <cmath>
#include <complex>
#include <numeric>
#include <random>

#include "sim/budget/egn_cross.h"
#include "sim/budget/interference.h"
#include "sim/signal/execution/fft.h"
#include "tests/sim/budget/gn_cases.h"

using namespace cohlink;
using namespace cohlink::test;

namespace {

using Complex = std::complex<double>;

GnSection span_without_dispersion() {
  GnSection span = standard_span();
  span.beta2 = 0.0;
  return span;
}

// Noise over signal of (|x|^2 + |y|^2) x behind the matched filter about one fitted gain, for light of unit
// power in both polarisations: what a piece of fibre without dispersion does to first order, the 8/9 gamma
// L_eff P left out. Mean over frames.
double pointwise_distortion(Modulation modulation, double roll_off, int frames) {
  FftCache fft(FftPlanning::kEstimate, "");
  constexpr std::size_t kSymbols = 8192, kSamples = 4;
  PulseShape pulse;
  pulse.roll_off = roll_off;
  std::mt19937_64 random(7);
  std::normal_distribution<double> normal;
  const auto& points = constellation(modulation);
  double sum = 0.0;
  for (int frame = 0; frame < frames; ++frame) {
    std::array<Symbols, 2> sent;
    std::array<ComplexRow<double>, 2> light;
    for (const std::size_t p : {0, 1}) {
      for (std::size_t k = 0; k < kSymbols; ++k)
        sent[p].push_back(points.empty() ? Complex(normal(random), normal(random)) / std::sqrt(2.0)
                                         : points[random() % points.size()]);
      light[p] = shape_symbols(sent[p], pulse, kSamples, fft);
    }
    const std::size_t n = light[0].size();
    ComplexRow<double> distorted(n);
    for (std::size_t k = 0; k < n; ++k)
      distorted[k] = 0.5 * (std::norm(light[0][k]) + std::norm(light[1][k])) * light[0][k];
    fft.get<double>(n).forward(distorted);
    for (std::size_t k = 0; k < n; ++k)
      distorted[k] *= pulse_spectrum(pulse, bin_frequency(k, n, kSamples * pulse.symbol_rate)) / double(n);
    fft.get<double>(n).inverse(distorted);
    Complex cross = 0.0;
    double power = 0.0, all = 0.0;
    for (std::size_t k = 0; k < kSymbols; ++k) {
      cross += distorted[k * kSamples] * std::conj(sent[0][k]);
      power += std::norm(sent[0][k]);
      all += std::norm(distorted[k * kSamples]);
    }
    sum += (all - std::norm(cross) / power) / power;
  }
  return sum / frames;
}

}  // namespace

TEST_CASE("moments of the formats are the published ones") {
  // Carena et al., Opt. Express 22(13) 16335 (2014), from memory; they follow from the points.
  CHECK(format_moments(Modulation::kQpsk).phi == doctest::Approx(-1.0));
  CHECK(format_moments(Modulation::kQpsk).psi == doctest::Approx(4.0));
  CHECK(format_moments(Modulation::kQam16).phi == doctest::Approx(-17.0 / 25.0));
  CHECK(format_moments(Modulation::kQam16).psi == doctest::Approx(52.0 / 25.0));
  CHECK(format_moments(Modulation::kGaussian).phi == 0.0);
}

TEST_CASE(
    "without dispersion the interference is that of the pointwise Kerr effect, whatever symbols and pulse") {
  const GnSection span = span_without_dispersion();
  const double effective = -std::expm1(-span.loss * span.length) / span.loss;
  const double phase = 8.0 / 9.0 * span.gamma * effective;  // rad/W
  struct Case {
    Modulation modulation;
    double roll_off;
    int frames;
    double within_db;
  };
  // Standard error of the noise power of that many symbols: 0.02 dB, 0.05 dB for Gaussian ones, whose sixth
  // powers scatter; the model's ten frequencies cost a tenth of QPSK's little noise.
  for (const Case& c :
       {Case{Modulation::kQpsk, 0.1, 4, 0.2}, Case{Modulation::kQpsk, 0.3, 4, 0.2},
        Case{Modulation::kQam16, 0.1, 4, 0.1}, Case{Modulation::kQam16, 0.5, 4, 0.1},
        Case{Modulation::kGaussian, 0.1, 12, 0.15}, Case{Modulation::kGaussian, 0.5, 12, 0.15}}) {
    const double expected = InterferenceModel({channel(c.roll_off, c.modulation)})({span}).expected();
    const double measured = phase * phase * pointwise_distortion(c.modulation, c.roll_off, c.frames);
    CAPTURE(modulation_name(c.modulation));
    CAPTURE(c.roll_off);
    MESSAGE(db_between(expected, measured) << " dB");
    CHECK(std::abs(db_between(expected, measured)) < c.within_db);
  }
}

TEST_CASE("QPSK is quieter than the Gaussian model, 16QAM less so, both most in the first span") {
  const auto share = [](Modulation modulation) {
    InterferenceModel model({channel(0.1, modulation)});
    std::vector<double> shares;
    for (const Interference& now : model.after_each_span(standard_spans(20)))
      shares.push_back(now.expected() / now.integral_matched);
    return shares;
  };
  const auto qpsk = share(Modulation::kQpsk), qam = share(Modulation::kQam16);
  for (std::size_t k = 0; k < qpsk.size(); ++k) {
    CHECK(qpsk[k] < qam[k]);
    CHECK(qam[k] < 1.0);
    if (k > 0) CHECK(qpsk[k] > qpsk[k - 1]);
  }
}

TEST_CASE("the symbols of far neighbours count with their own moments, powers and numbers") {
  const GnLine line = standard_spans(4);
  const auto cross = [&](const GnLight& light) { return egn_cross_after_each_span(light, line).back(); };
  const GnLight gaussian = equal_comb(channel(0.1), 2, 100e9);
  GnLight qpsk = {channel(0.1), channel(0.1, Modulation::kQpsk)},
          qam = {channel(0.1), channel(0.1, Modulation::kQam16)};
  qpsk[1].frequency = qam[1].frequency = 100e9;
  const double clock = cross(gaussian), one = cross(qpsk) - clock;
  CHECK(clock > 0.0);
  CHECK(one < 0.0);
  CHECK(cross(qam) - clock == doctest::Approx(0.68 * one));
  qpsk[1].power = 2.0;
  CHECK(cross(qpsk) == doctest::Approx(4.0 * (one + clock)));
  qpsk.push_back(qpsk[1]);
  qpsk[2].frequency = -100e9;
  CHECK(cross(qpsk) == doctest::Approx(8.0 * (one + clock)));
  CHECK(cross({qpsk[0]}) == 0.0);
}

TEST_CASE("without dispersion a neighbour of constant intensity leaves what its symbols' turns do") {
  // The mixing is L_eff for all frequencies and pulses nearly fill their band: phi (80/81) gamma^2 L_eff^2
  // times the integral over u of (1 - |u|)^3, which is 1/2, one such term a neighbour, and N^2 over spans in
  // phase.
  const GnSection span = span_without_dispersion();
  const double effective = -std::expm1(-span.loss * span.length) / span.loss;
  const double one = 40.0 / 81.0 * std::pow(span.gamma * effective, 2);
  GnLight comb = equal_comb(channel(0.01, Modulation::kQpsk), 3, 50e9);
  CHECK(egn_cross_after_each_span(comb, {span, span}).back() ==
        doctest::Approx(-4.0 * 2.0 * one).epsilon(0.02));
}

TEST_CASE("interference after a span does not hang on what follows, and grows") {
  const GnLight light = equal_comb(channel(0.1, Modulation::kQpsk), 4, 50e9);
  const auto all = InterferenceModel(light).after_each_span(standard_spans(20));
  for (const std::size_t count : {1, 6, 13})
    CHECK(InterferenceModel(light)(standard_spans(count)).expected() ==
          doctest::Approx(all[count - 1].expected()).epsilon(1e-12));
  for (std::size_t k = 1; k < all.size(); ++k) CHECK(all[k].expected() > all[k - 1].expected());
}
