// Splitter, hybrid, photodiodes, electronics: each flaw measured at the outputs.
#include "sim/frontend/frontend.h"

#include <doctest/doctest.h>

#include <algorithm>
#include <cmath>

#include "sim/electronics/bessel.h"
#include "sim/electronics/lanes.h"
#include "sim/frontend/receiver_electronics.h"
#include "sim/frontend/receiver_input.h"
#include "sim/signal/units.h"
#include "tests/ffts.h"

using namespace cohlink;
using test::ffts;
using Complex = std::complex<double>;

namespace {

constexpr double kRate = 64e9;

Field<double> constant_field(std::size_t n, Complex x, Complex y) {
  Field<double> field(n, kRate);
  std::fill(field.x.begin(), field.x.end(), x);
  std::fill(field.y.begin(), field.y.end(), y);
  return field;
}

// A tone of `cycles` a frame in both polarisations, 1 uW each.
Field<double> tone_field(std::size_t n, int cycles) {
  Field<double> field(n, kRate);
  for (std::size_t t = 0; t < n; ++t)
    field.x[t] = field.y[t] =
        std::polar(1e-3, kTwoPi * cycles * static_cast<double>(t) / static_cast<double>(n));
  return field;
}

LaserTrace steady(std::size_t n, double phase = 0.0) { return {std::vector<double>(n, phase), {}}; }

Photocurrents detected(const Field<double>& field, const FrontendParameters& p,
                       const LocalOscillatorParameters& lo = {}) {
  return detect(field, {lo, steady(field.size())}, p, RandomStreams(1), ffts());
}

// Least-squares coefficients of cos and sin of a tone in a lane.
Complex tone_of(const ComplexRow<double>& row, bool quadrature, int cycles) {
  Complex sum = 0.0;
  for (std::size_t t = 0; t < row.size(); ++t)
    sum += (quadrature ? row[t].imag() : row[t].real()) *
           std::polar(2.0 / row.size(), -kTwoPi * cycles * static_cast<double>(t) / row.size());
  return sum;
}

// Power of the mirror of a tone over the tone [dB].
double image_ratio_db(const ComplexRow<double>& row, int cycles) {
  Complex tone = 0.0, image = 0.0;
  for (std::size_t t = 0; t < row.size(); ++t) {
    const Complex turn = std::polar(1.0, kTwoPi * cycles * static_cast<double>(t) / row.size());
    tone += row[t] * std::conj(turn);
    image += row[t] * turn;
  }
  return to_db(std::norm(image) / std::norm(tone));
}

double degrees(double rad) { return rad * 180.0 / kPi; }

}  // namespace

TEST_CASE("the hybrid's balanced outputs are the cosine and sine of the phase difference") {
  const Hybrid hybrid;
  for (int k = 0; k < 360; ++k) {
    const double phase = kTwoPi * k / 360.0 + 0.1, oscillator_phase = 0.7 * k;
    const HybridOutputs h = hybrid(std::polar(0.3, phase + oscillator_phase),
                                   std::polar(1.7, oscillator_phase), hybrid.shifter());
    const double i = std::norm(h.i_plus) - std::norm(h.i_minus),
                 q = std::norm(h.q_plus) - std::norm(h.q_minus);
    CHECK(std::abs(i / 0.51 - std::cos(phase)) < 1e-12);
    CHECK(std::abs(q / 0.51 - std::sin(phase)) < 1e-12);
    // Lossless: what goes in comes out.
    CHECK(std::abs(std::norm(h.i_plus) + std::norm(h.i_minus) + std::norm(h.q_plus) + std::norm(h.q_minus) -
                   (0.3 * 0.3 + 1.7 * 1.7)) < 1e-12);
  }
}

TEST_CASE("a hybrid phase error is the quadrature error at the outputs, and its image ratio the textbook's") {
  for (const double error : {1.0, 5.0, -10.0}) {
    FrontendParameters p;
    p.hybrid.phase_error = error * kPi / 180.0;
    const auto currents = detected(tone_field(1024, 37), p);
    const Complex i = tone_of(currents.x, false, 37), q = tone_of(currents.x, true, 37);
    // Q = sin lags I = cos by 90 degrees; the error delays I.
    CHECK(std::abs(degrees(std::arg(i / q)) - 90.0 + error) < 0.05);
    CHECK(std::abs(to_db(std::norm(i / q))) < 0.05);
    // (1 + g^2 - 2 g cos e) / (1 + g^2 + 2 g cos e) at g = 1: tan^2(e/2).
    CHECK(std::abs(image_ratio_db(currents.x, 37) -
                   20.0 * std::log10(std::tan(std::abs(p.hybrid.phase_error) / 2.0))) < 0.05);
  }
}

TEST_CASE(
    "uneven input couplers make Q stronger than I by their ratio twice, once for signal, once for "
    "oscillator") {
  FrontendParameters p;
  p.hybrid.splitter = Coupler::unequal(0.5);
  const auto currents = detected(tone_field(1024, 37), p);
  const double ratio = std::norm(tone_of(currents.x, true, 37) / tone_of(currents.x, false, 37));
  CHECK(std::abs(to_db(ratio) - 2 * 0.5) <
        0.05);  // currents go as the product of two fields: powers as the square
}

TEST_CASE("common-mode rejection at the outputs is the key, for signal and oscillator alone") {
  for (const double cmrr : {12.0, 20.0, 30.0}) {
    FrontendParameters p;
    p.photodiodes.mismatch = mismatch_of_cmrr(cmrr);
    LocalOscillatorParameters lo;
    lo.power = 20e-3;
    // Oscillator alone: each pair gets an eighth of it on each diode.
    const auto dark = detected(constant_field(4, 0, 0), p, lo);
    for (const double current : {dark.x[0].real(), dark.x[0].imag(), dark.y[0].real(), dark.y[0].imag()})
      CHECK(std::abs(20.0 * std::log10(lo.power / 4.0 / current) - cmrr) < 0.05);
    lo.power = 0.0;
    const auto signal = detected(constant_field(4, 1e-3, 0), p, lo);
    CHECK(std::abs(20.0 * std::log10(1e-6 / 2.0 / signal.x[0].real()) - cmrr) < 0.05);
  }
}

TEST_CASE("uneven combiners leak oscillator power into the difference") {
  FrontendParameters p;
  p.hybrid.combiner = Coupler::unequal(0.4);
  const auto dark = detected(constant_field(4, 0, 0), p);
  // The oscillator enters the second port: plus gets cross^2, minus through^2.
  const double r = from_db(0.4), expected = -20e-3 / 4.0 * (r - 1.0) / (r + 1.0);
  CHECK(dark.x[0].real() == doctest::Approx(expected).epsilon(1e-12));
  CHECK(dark.y[0].imag() == doctest::Approx(expected).epsilon(1e-12));
}

TEST_CASE("the photodiodes see |T (S, L)|^2 of the couplers' matrices, each polarisation its own, to 1e-9") {
  // Independent of the wired hybrid: the 4x2 matrix of one polarisation written out from the couplers' keys.
  constexpr double kDegree = kPi / 180.0;
  struct Flaws {
    double splitter_db, combiner_db, coupler_turn, shifter_error, cmrr_db;
  };
  const Flaws of[2] = {{0.5, -0.3, 4 * kDegree, 5 * kDegree, 20.0},
                       {-0.8, 0.6, 4 * kDegree, -3 * kDegree, 15.0}};
  FrontendParameters p;
  const auto made = [](const Flaws& f) {
    Hybrid h;
    h.splitter = Coupler::unequal(f.splitter_db, f.coupler_turn);
    h.combiner = Coupler::unequal(f.combiner_db, f.coupler_turn);
    h.phase_error = f.shifter_error;
    h.transmission = from_db(-2.0);
    return h;
  };
  p.hybrid = made(of[0]);
  p.hybrid_y = made(of[1]);
  p.photodiodes.mismatch = mismatch_of_cmrr(of[0].cmrr_db);
  p.mismatch_y = mismatch_of_cmrr(of[1].cmrr_db);
  p.photodiodes.responsivity = 0.8;
  p.oscillator_transmission = from_db(-1.5);
  p.oscillator_split = from_db(0.7);
  const Complex signal[2] = {std::polar(1e-2, 0.4), std::polar(2e-2, -1.1)};
  const auto currents = detected(constant_field(4, signal[0], signal[1]), p);
  const double to_x = from_db(0.7) / (1.0 + from_db(0.7));
  for (std::size_t pol = 0; pol < 2; ++pol) {
    const Flaws& f = of[pol];
    // Power shares of through and cross; the least excess loss at that angle.
    const auto coupler = [&](double db) {
      const double share = 1.0 / (1.0 + from_db(-db));
      const double least = 1.0 + 2.0 * std::sqrt(share * (1.0 - share)) * std::sin(f.coupler_turn);
      return std::array<Complex, 2>{
          std::sqrt(share / least),
          Complex(0, 1) * std::polar(std::sqrt((1.0 - share) / least), f.coupler_turn)};
    };
    const auto [st, sc] = coupler(f.splitter_db);
    const auto [ct, cc] = coupler(f.combiner_db);
    const Complex shifter = Complex(0, -1) * std::polar(1.0, f.shifter_error);
    const Complex s = std::sqrt(from_db(-2.0)) * signal[pol],
                  l = std::sqrt(from_db(-2.0 - 1.5) * 20e-3 * (pol == 0 ? to_x : 1.0 - to_x));
    const double m = std::pow(10.0, -f.cmrr_db / 20.0);
    const double q = 0.8 * ((1 + m) * std::norm(ct * st * s + cc * st * l) -
                            (1 - m) * std::norm(cc * st * s + ct * st * l));
    const double i = 0.8 * ((1 + m) * std::norm(ct * sc * s + cc * sc * shifter * l) -
                            (1 - m) * std::norm(cc * sc * s + ct * sc * shifter * l));
    const Complex got = pol == 0 ? currents.x[0] : currents.y[0];
    CHECK(std::abs(got - Complex(i, q)) < 1e-9 * std::abs(Complex(i, q)));
  }
}

TEST_CASE("a coupler that turns by other than 90 degrees is passive, just so") {
  const double turn = 5.0 * kPi / 180.0;
  const Coupler coupler = Coupler::unequal(0.0, turn);
  // Its best input, both ports a quarter turn apart, passes whole; the worst loses 1 - (1 - sin)/(1 + sin).
  const auto power = [&](Complex b) {
    const auto [plus, minus] = coupler(std::sqrt(0.5), b * std::sqrt(0.5));
    return std::norm(plus) + std::norm(minus);
  };
  CHECK(power(-1.0) == doctest::Approx(1.0).epsilon(1e-9));
  CHECK(power(1.0) == doctest::Approx((1.0 - std::sin(turn)) / (1.0 + std::sin(turn))).epsilon(1e-9));
}

TEST_CASE("a skew between the diodes of a pair filters the beat and lets what is common through, to 1e-9") {
  constexpr std::size_t n = 1024;
  FrontendParameters p;
  p.pn_skew = {3e-12, 7e-12};
  const auto clean = detected(tone_field(n, 301), FrontendParameters{}),
             skewed = detected(tone_field(n, 301), p);
  for (std::size_t pol = 0; pol < 2; ++pol) {
    const double wt = kTwoPi * 301 * kRate / n * p.pn_skew[pol];
    const Complex passed = 0.5 * (1.0 + std::polar(1.0, -wt));
    const auto &a = pol == 0 ? clean.x : clean.y, &b = pol == 0 ? skewed.x : skewed.y;
    for (const bool quadrature : {false, true})
      CHECK(std::abs(tone_of(b, quadrature, 301) / tone_of(a, quadrature, 301) - passed) < 1e-9);
  }
  // An oscillator of wavering power alone: half of what each diode sees, times 1 - exp(-i w t), gets through.
  LocalOscillatorParameters lo;
  LaserTrace wavering = steady(n);
  for (std::size_t t = 0; t < n; ++t)
    wavering.relative_power.push_back(1.0 + 0.1 * std::cos(kTwoPi * 211.0 * static_cast<double>(t) / n));
  const auto leak = detect(constant_field(n, 0, 0), {lo, wavering}, p, RandomStreams(1), ffts());
  const Complex passed = 1.0 - std::polar(1.0, -kTwoPi * 211.0 * kRate / n * p.pn_skew[0]);
  CHECK(std::abs(tone_of(leak.x, false, 211) / (0.1 * lo.power / 8.0) - passed) < 1e-9);
}

TEST_CASE("the polarisation splitter divides light of one polarisation by its extinction and its angle") {
  const auto ratio_db = [](const PolarisationSplitterParameters& splitter) {
    FrontendParameters p;
    p.splitter = splitter;
    const auto currents = detected(constant_field(4, 1e-3, 0), p);
    return to_db(std::norm(currents.x[0]) / std::norm(currents.y[0]));
  };
  CHECK(std::abs(ratio_db({0.0, std::pow(10.0, -20.0 / 20.0)}) - 20.0) < 0.05);
  CHECK(std::abs(ratio_db({0.0, std::pow(10.0, -12.5 / 20.0)}) - 12.5) < 0.05);
  CHECK(std::abs(ratio_db({2.0 * kPi / 180.0, 0.0}) + 20.0 * std::log10(std::tan(2.0 * kPi / 180.0))) < 0.05);
  // Lossless at any setting.
  const JonesMatrix m = splitter_matrix({0.3, 0.2}), one = adjoint(m) * m;
  CHECK(std::abs(one.xx - 1.0) + std::abs(one.xy) + std::abs(one.yy - 1.0) < 1e-12);
}

TEST_CASE("oscillator split and excess loss scale the currents as powers do") {
  FrontendParameters p;
  p.oscillator_split = from_db(1.0);
  auto currents = detected(constant_field(4, 1e-3, 1e-3), p);
  CHECK(std::abs(to_db(std::norm(currents.x[0]) / std::norm(currents.y[0])) - 1.0) < 1e-9);
  CHECK(std::norm(currents.x[0]) + std::norm(currents.y[0]) == doctest::Approx(1e-6 * 20e-3));
  p.hybrid.transmission = from_db(-3.0);
  currents = detected(constant_field(4, 1e-3, 1e-3), p);
  CHECK(std::norm(currents.x[0]) + std::norm(currents.y[0]) == doctest::Approx(1e-6 * 20e-3 * from_db(-6.0)));
}

TEST_CASE("photocurrents are R sqrt(Ps Plo) of each polarisation, and turn with the frequency offset") {
  FrontendParameters p;
  p.photodiodes.responsivity = 0.8;
  LocalOscillatorParameters lo;
  lo.power = 10e-3;
  lo.frequency_offset = 1e9;
  const auto currents =
      detect(constant_field(64, 1e-3, 1e-3), {lo, steady(64, 0.3)}, p, RandomStreams(1), ffts());
  const double amplitude = 0.8 * std::sqrt(1e-6 * 5e-3);
  for (std::size_t t = 0; t < 64; ++t) {
    const Complex expected = std::polar(amplitude, kTwoPi * 1e9 * static_cast<double>(t) / kRate - 0.3);
    CHECK(std::abs(currents.x[t] - expected) < 1e-12 * amplitude);
    CHECK(std::abs(currents.y[t] - expected) < 1e-12 * amplitude);
  }
}

TEST_CASE("shot, dark and thermal noise have the densities 2qI and the given one") {
  constexpr std::size_t n = 1 << 16;
  LocalOscillatorParameters lo;
  lo.power = 10e-3;
  const auto variance = [&](const PhotodiodeParameters& diodes) {
    FrontendParameters p;
    p.photodiodes = diodes;
    return mean_power(detect(constant_field(n, 0, 0), {lo, steady(n)}, p, RandomStreams(2), ffts()).x) /
           2.0;  // of one output
  };
  const double standard_error = std::sqrt(2.0 / (2.0 * n));  // of a variance from 2n samples
  PhotodiodeParameters p;
  CHECK(variance(p) < 1e-36);
  p.thermal_noise = 20e-12;
  CHECK(variance(p) == doctest::Approx(20e-12 * 20e-12 * kRate / 2.0).epsilon(4 * standard_error));
  p.thermal_noise = 0.0;
  p.shot_noise = true;
  p.responsivity = 0.5;
  // A quarter of the oscillator reaches each balanced output: LO/2 a polarisation, half of it to I.
  CHECK(variance(p) == doctest::Approx(2.0 * kElementaryCharge * 0.5 * lo.power / 4.0 * kRate / 2.0)
                           .epsilon(4 * standard_error));
  lo.power = 0.0;
  p.dark_current = 1e-6;
  CHECK(variance(p) ==
        doctest::Approx(2.0 * kElementaryCharge * 2e-6 * kRate / 2.0).epsilon(4 * standard_error));
}

TEST_CASE("oscillator intensity noise leaks through an imperfect balance, and not through a perfect one") {
  constexpr std::size_t n = 1 << 16;
  FftCache fft(FftPlanning::kEstimate, "");
  LocalOscillatorParameters lo;
  lo.laser.rin = from_db(-140.0);
  const LaserTrace trace = run_laser(lo.laser, "lo", {n, kRate}, RandomStreams(4), fft);
  const auto fluctuation = [&](double mismatch) {
    FrontendParameters p;
    p.photodiodes.mismatch = mismatch;
    const auto currents = detect(constant_field(n, 0, 0), {lo, trace}, p, RandomStreams(5), ffts());
    double mean = 0, square = 0;
    for (const auto& z : currents.x) {
      mean += z.real() / n;
      square += z.real() * z.real() / n;
    }
    return square - mean * mean;
  };
  CHECK(fluctuation(0.0) < 1e-30);
  // RIN x rate/2 of relative variance on the common-mode current R Plo/4, times the mismatch squared.
  const double leaked = 0.05 * lo.power / 4.0;
  CHECK(fluctuation(0.05) ==
        doctest::Approx(leaked * leaked * from_db(-140.0) * kRate / 2.0).epsilon(4 * std::sqrt(2.0 / n)));
}

TEST_CASE("a Bessel filter of any order is 3 dB down at its bandwidth and flat in delay below it") {
  for (int order = 1; order <= 10; ++order) {
    const BesselFilter filter(order, 22e9);
    CHECK(to_db(std::norm(filter(22e9))) == doctest::Approx(-3.0103).epsilon(1e-4));
    CHECK(std::abs(filter(0) - 1.0) < 1e-12);
    CHECK(std::abs(filter(-7e9) - std::conj(filter(7e9))) < 1e-12);
    if (order >= 3) CHECK(std::abs(std::arg(filter(5e9))) < 5e-3);
  }
  // Order 2: H = 3/(s^2 + 3 s + 3), 3 dB at 1.36165 (Zverev, Handbook of Filter Synthesis, 1967; from
  // memory).
  const double w = 1.36165 * 2.0;
  CHECK(std::norm(BesselFilter(2, 1.0)(2.0)) ==
        doctest::Approx(9.0 / ((3 - w * w) * (3 - w * w) + 9 * w * w)).epsilon(1e-4));
  CHECK_THROWS_AS(BesselFilter(0, 1.0), std::invalid_argument);
  CHECK_THROWS_AS(BesselFilter(4, 0.0), std::invalid_argument);
}

TEST_CASE(
    "gain control brings every lane to its voltage; saturation bounds it; skews delay the right lanes") {
  FftCache fft(FftPlanning::kEstimate, "");
  const auto field = tone_field(1024, 5);
  const auto currents = detected(field, {});
  ReceiverElectronicsParameters p;
  ElectricalLanes out = amplify_currents(currents, p, fft);
  CHECK(out.currents.x == currents.x);
  for (std::size_t l = 0; l < 4; ++l)
    CHECK(out.transimpedance[l] * rms(lane_of(*currents.rows()[l / 2], l % 2)) == doctest::Approx(0.15));

  p.saturation = 0.2;
  out = amplify_currents(currents, p, fft);
  double peak = 0;
  for (const auto& z : out.currents.x) peak = std::max(peak, std::abs(z.real()) * out.transimpedance[0]);
  // A sine of 150 mV rms peaks at 212 mV, which the knee turns into x / (1 + (x/0.2)^4)^(1/4).
  const double x = 0.15 * std::sqrt(2.0);
  CHECK(peak == doctest::Approx(x / std::pow(1.0 + std::pow(x / 0.2, 4), 0.25)).epsilon(1e-9));

  p = {};
  p.low_cutoff = 5.0 * kRate / 1024;  // the tone stands at the corner: 3 dB less, 45 degrees ahead
  out = amplify_currents(currents, p, fft);
  CHECK(std::abs(tone_of(out.currents.x, true, 5) / tone_of(currents.x, true, 5) - Complex(0.5, 0.5)) < 1e-9);

  p = {};
  p.automatic_gain = false;
  p.transimpedance = 700.0;
  p.iq_skew = 3e-12;
  p.xy_skew = 10e-12;
  out = amplify_currents(currents, p, fft);
  CHECK(out.transimpedance == std::array<double, 4>{700, 700, 700, 700});
  const std::array<double, 4> delay = {0, 3e-12, 10e-12, 13e-12};
  const double w = kTwoPi * 5.0 * kRate / 1024;
  for (std::size_t l = 0; l < 4; ++l) {
    const Complex before = tone_of(*currents.rows()[l / 2], l % 2, 5),
                  after = tone_of(*out.currents.rows()[l / 2], l % 2, 5);
    CHECK(std::arg(before / after) == doctest::Approx(w * delay[l]).epsilon(1e-9));
  }
}

TEST_CASE("the received power is what the key says; a pre-amplifier adds (F G - 1)/2 h nu a polarisation") {
  constexpr std::size_t n = 1 << 16;
  Field<double> light = constant_field(n, 0.01, 0.02);
  ReceiverInputParameters p;
  p.received_power = 1e-6;
  CHECK(receive_light(light, p, RandomStreams(1)).preamplifier_psd == 0.0);
  CHECK(mean_power(light) == doctest::Approx(1e-6).epsilon(1e-12));
  p.preamplifier = {from_db(5.0), 1e-3};
  const double referred = receive_light(light, p, RandomStreams(1)).preamplifier_psd;
  CHECK(referred ==
        doctest::Approx((from_db(5.0) * 1000 - 1) / 2 * kPlanck * kCarrierHz / 1000).epsilon(1e-12));
  double noise = 0.0;
  const double x = std::sqrt(1e-3 / 5.0);  // the field's share of 1 mW in X
  for (const auto& a : light.x) noise += std::norm(a - x) / n;
  CHECK(noise == doctest::Approx(referred * 1000 * kRate).epsilon(4 / std::sqrt(n)));
}
