// Transmitter, lasers, front end and converter against published formulas and common-practice figures.
#include <doctest/doctest.h>

#include <algorithm>
#include <cmath>
#include <string>
#include <vector>

#include "sim/frontend/adc.h"
#include "sim/frontend/frontend.h"
#include "sim/link.h"
#include "sim/signal/constellation.h"
#include "sim/signal/pulse.h"
#include "sim/signal/units.h"
#include "sim/transmitter/laser.h"
#include "tests/ffts.h"
#include "tests/settings.h"
#include "tests/validation.h"

using namespace cohlink;
using test::ffts;
using test::scenario_with;
using test::Settings;
using Complex = std::complex<double>;

namespace {

// Noise over signal after the matched filter and the best complex gain, per polarisation: no receiver needed,
// because nothing but noise is wrong with these captures. Two samples a symbol.
double noise_to_signal(const Capture& capture, std::size_t pol, const PulseShape& pulse) {
  const std::size_t n = capture.samples();
  ComplexRow<double> row(n);
  for (std::size_t k = 0; k < n; ++k)
    row[k] = {capture.lanes[2 * pol][k] * capture.ampere_per_code[2 * pol],
              capture.lanes[2 * pol + 1][k] * capture.ampere_per_code[2 * pol + 1]};
  ffts().get<double>(n).forward(row);
  for (std::size_t k = 0; k < n; ++k)
    row[k] *= pulse_spectrum(pulse, bin_frequency(k, n, capture.sample_rate));
  ffts().get<double>(n).inverse(row);
  const auto& sent = capture.truth->symbols[pol];
  Complex cross = 0;
  double power = 0, rest = 0;
  for (std::size_t k = 0; k < sent.size(); ++k) {
    cross += row[2 * k] * std::conj(sent[k]);
    power += std::norm(sent[k]);
  }
  for (std::size_t k = 0; k < sent.size(); ++k) rest += std::norm(row[2 * k] - cross / power * sent[k]);
  return rest / (std::norm(cross) / power);
}

// SNR [dB], both polarisations, from `symbols` a polarisation: standard error 4.34 / sqrt(2 symbols) dB.
constexpr std::size_t kSymbols = 16384;
double matched_snr_db(Settings settings) {
  settings.push_back("signal.symbols=" + std::to_string(kSymbols));
  settings.push_back("adc.bits=16");  // no quantising noise to speak of
  const Capture capture = Link(scenario_with(settings), ffts())(0);
  const PulseShape pulse{Pulse::kRrc, 0.1, 32e9};
  return -to_db((noise_to_signal(capture, 0, pulse) + noise_to_signal(capture, 1, pulse)) / 2.0);
}

std::string key_value(const std::string& key, double value) { return key + "=" + std::to_string(value); }

// SNR of a tone of known frequency in converter codes after a least-squares fit of sine and offset.
double sine_snr_db(const std::vector<std::int16_t>& codes, double cycles) {
  const auto n = static_cast<double>(codes.size());
  Complex a = 0;
  double mean = 0, rest = 0;
  for (std::size_t k = 0; k < codes.size(); ++k) {
    a += static_cast<double>(codes[k]) * std::polar(2.0 / n, -kTwoPi * cycles * static_cast<double>(k) / n);
    mean += codes[k] / n;
  }
  for (std::size_t k = 0; k < codes.size(); ++k) {
    const double fit = std::real(a * std::polar(1.0, kTwoPi * cycles * static_cast<double>(k) / n));
    rest += std::pow(codes[k] - mean - fit, 2) / n;
  }
  return to_db(0.5 * std::norm(a) / rest);
}

constexpr std::size_t kSineSamples = 1 << 15;
constexpr double kAdcRate = 64e9;

// Noise of a converter under a sine of `amplitude` full scales, referred to a full-scale sine. The sine is
// lifted by fractions of a step, so that its peaks do not dwell on one decision edge: the formula counts
// every place within a step as equally likely.
double full_scale_snr_db(AdcParameters p, int cycles, double amplitude) {
  constexpr int kLifts = 16;
  p.sample_rate = kAdcRate;
  p.full_scale = 1.0;
  const double step = std::ldexp(1.0, 1 - p.quantiser.bits);
  double noise = 0;
  for (int lift = 0; lift < kLifts; ++lift) {
    const double offset =
        step * ((lift + 0.5) / kLifts - 1.0);  // the middle of the codes is half a step below 0
    ElectricalLanes lanes{Field<double>(kSineSamples, kAdcRate), {1, 1, 1, 1}};
    for (std::size_t t = 0; t < kSineSamples; ++t) {
      const double s =
          offset + amplitude * std::sin(kTwoPi * cycles * static_cast<double>(t) / kSineSamples + 0.1);
      lanes.currents.x[t] = lanes.currents.y[t] = {s, s};
    }
    const auto codes =
        convert(lanes, p, AdcErrors{}, RandomStreams(1, static_cast<std::uint64_t>(lift)), ffts()).lanes[0];
    noise += amplitude * amplitude * from_db(-sine_snr_db(codes, cycles)) / kLifts;
  }
  return -to_db(noise);
}

}  // namespace

TEST_CASE("published: shot-noise limit SNR = R Ps / (q Rs) over 20 dB of received power") {
  const std::string source = "Kikuchi and Tsukamoto, J. Lightwave Technol. 26(13) 1817 (2008); derived";
  for (const char* modulation : {"qpsk", "16qam"}) {
    double worst = 0;
    for (const double dbm : {-42.0, -37.0, -32.0, -27.0, -22.0}) {
      const double expected = to_db(0.9 * dbm_to_watt(dbm) / 2.0 / (kElementaryCharge * 32e9));
      const double measured =
          matched_snr_db({std::string("signal.modulation=") + modulation, "frontend.shot_noise=true",
                          "laser_lo.power_dbm=20", "frontend.responsivity_a_per_w=0.9",
                          key_value("frontend.received_power_dbm", dbm)});
      CHECK(std::abs(measured - expected) < 0.1);  // the bar; four standard errors are 0.096 dB
      if (std::abs(measured - expected) > std::abs(worst)) worst = measured - expected;
    }
    validation::record(
        std::string("Shot-noise limit R Ps/(q Rs), worst deviation over 20 dB of power, ") + modulation,
        source, 0.0, worst, 0.1, "dB");
  }
}

TEST_CASE("published: 18 photons a bit for QPSK and 44.3 for 16QAM at BER 1e-9, by the SNR route") {
  const std::string source =
      "Kumar and Deen, Fiber Optic Communications (Wiley 2014), ch. 7; Ip et al., Opt. Express 16(2) 753 "
      "(2008)";
  const double energy = kPlanck * kCarrierHz, efficiency = 1.25 * energy / kElementaryCharge;
  for (const auto& [modulation, name, published] :
       {std::tuple(Modulation::kQpsk, "qpsk", 18.0), std::tuple(Modulation::kQam16, "16qam", 44.3)}) {
    const int bits = bits_per_symbol(modulation);
    const double power = published * bits * energy * 32e9 * 2.0;  // both polarisations
    const double snr = matched_snr_db({std::string("signal.modulation=") + name, "frontend.shot_noise=true",
                                       "laser_lo.power_dbm=25", "frontend.responsivity_a_per_w=1.25",
                                       key_value("frontend.received_power_dbm", watt_to_dbm(power))});
    // Photons a bit that the measured SNR per photon makes necessary for 1e-9.
    const double needed = published * theory_snr(modulation, 1e-9) / from_db(snr) * efficiency;
    CHECK(needed == doctest::Approx(published).epsilon(0.025));  // 0.1 dB
    validation::record(std::string("Photons a bit at BER 1e-9, shot-noise limit, ") + name, source, published,
                       needed, 0.025 * published);
  }
}

TEST_CASE("published: sensitivity improves with oscillator power until shot noise rules") {
  const double thermal = 20e-12, received = dbm_to_watt(-30.0) / 2.0;
  double worst = 0, previous = 0;
  for (double dbm = -10.0; dbm <= 20.0; dbm += 5.0) {
    const double oscillator = dbm_to_watt(dbm) / 2.0;  // a polarisation
    // I and Q of a polarisation together: thermal i^2 each one-sided is i^2 for the complex beat.
    const double expected = to_db(received * oscillator /
                                  (32e9 * (kElementaryCharge * (oscillator + received) + thermal * thermal)));
    const double measured =
        matched_snr_db({"frontend.shot_noise=true", "frontend.thermal_noise_pa_per_sqrt_hz=20",
                        "frontend.received_power_dbm=-30", key_value("laser_lo.power_dbm", dbm)});
    CHECK(std::abs(measured - expected) < 0.1);
    if (std::abs(measured - expected) > std::abs(worst)) worst = measured - expected;
    if (dbm > -10.0) CHECK(measured > previous);
    previous = measured;
  }
  validation::record(
      "SNR against oscillator power with 20 pA/sqrt(Hz), -10 to 20 dBm, worst deviation from R^2 Ps Plo/[Rs "
      "(q R Plo + i_n^2)]",
      "Kikuchi and Tsukamoto, J. Lightwave Technol. 26(13) 1817 (2008); derived", 0.0, worst, 0.1, "dB");
}

TEST_CASE("published: image ratio, quadrature and common-mode rejection at the hybrid's outputs") {
  constexpr std::size_t n = 1024;
  constexpr double error = 5.0 * kPi / 180.0;
  FrontendParameters p;
  p.hybrid.phase_error = error;
  p.photodiodes.mismatch = mismatch_of_cmrr(20.0);
  Field<double> tone(n, 64e9);
  for (std::size_t t = 0; t < n; ++t)
    tone.x[t] = std::polar(1e-3, kTwoPi * 37.0 * static_cast<double>(t) / n);
  LocalOscillatorParameters lo;
  const LaserTrace still{std::vector<double>(n, 0.0), {}};
  const auto currents = detect(tone, {lo, still}, p, RandomStreams(1), ffts()).x;
  Complex direct = 0, image = 0, i = 0, q = 0, mean = 0;
  for (std::size_t t = 0; t < n; ++t) {
    const Complex turn = std::polar(1.0 / n, -kTwoPi * 37.0 * static_cast<double>(t) / n);
    direct += currents[t] * turn;
    image += currents[t] * std::conj(turn);
    i += currents[t].real() * turn;
    q += currents[t].imag() * turn;
    mean += currents[t] / static_cast<double>(n);
  }
  const double image_db = to_db(std::norm(image / direct)), angle = std::arg(i / q) * 180.0 / kPi;
  // The mean is the leak of signal and oscillator, a quarter of each (the signal is in X alone: half of it to
  // I).
  const double cmrr = 20.0 * std::log10((lo.power / 4.0 + 1e-6 / 2.0) / mean.real());
  CHECK(std::abs(image_db - 20.0 * std::log10(std::tan(error / 2.0))) < 0.05);
  CHECK(std::abs(angle - 85.0) < 0.05);
  CHECK(std::abs(cmrr - 20.0) < 0.05);
  validation::record(
      "Image of a tone through a hybrid with 5 degrees of error and equal gains, tan^2(2.5 deg)",
      "Razavi, RF Microelectronics, ch. on image rejection", 20.0 * std::log10(std::tan(error / 2.0)),
      image_db, 0.05, "dB");
  validation::record("Angle between I and Q of that hybrid", "the key", 85.0, angle, 0.05, "deg");
  validation::record("Common-mode rejection set to 20 dB", "definition of OIF-DPC-RX-01.x (from memory)",
                     20.0, cmrr, 0.05, "dB");
}

TEST_CASE("published: an ideal N-bit quantiser gives 6.02 N + 1.76 dB") {
  for (int bits = 4; bits <= 10; ++bits) {
    AdcParameters p;
    p.quantiser.bits = bits;
    const double measured = full_scale_snr_db(p, 5003, 1.0 - 3.0 * std::ldexp(1.0, -bits)),
                 published = 20.0 * bits * std::log10(2.0) + to_db(1.5);
    CHECK(std::abs(measured - published) < 0.1);
    validation::record("Full-scale sine through an ideal quantiser of " + std::to_string(bits) + " bits",
                       "Bennett, Bell Syst. Tech. J. 27(3) 446 (1948)", published, measured, 0.1, "dB");
  }
}

TEST_CASE("published: the effective number of bits reproduces itself") {
  for (const double enob : {4.0, 5.5, 6.8}) {
    AdcParameters p;
    p.quantiser = {8, enob};
    // 1.5 dB below full scale, so that the converter's own noise does not reach the rails.
    const double measured = (full_scale_snr_db(p, 5003, 0.84) - to_db(1.5)) / (20.0 * std::log10(2.0));
    CHECK(std::abs(measured - enob) <
          0.02);  // four standard errors of a noise power from 2^19 samples are 0.003
    validation::record("Effective number of bits of a converter set to " + std::to_string(enob).substr(0, 3),
                       "IEEE Std 1241", enob, measured, 0.02, "bit");
  }
}

TEST_CASE("published: aperture jitter limits the SNR of a sine to -20 log10(2 pi f t)") {
  for (const int cycles : {5003, 12001}) {
    AdcParameters p;
    p.quantiser.bits = 14;
    p.jitter = 200e-15;
    const double f = cycles * kAdcRate / kSineSamples;
    // Jitter noise follows the sine, so the SNR is that of any amplitude and needs no reference to full
    // scale.
    const double amplitude = 0.99,
                 measured = full_scale_snr_db(p, cycles, amplitude) + 2.0 * to_db(amplitude),
                 published = -20.0 * std::log10(kTwoPi * f * 200e-15);
    CHECK(std::abs(measured - published) < 0.2);
    validation::record("SNR of a " + std::to_string(static_cast<int>(f / 1e9 + 0.5)) +
                           " GHz sine with 200 fs of aperture jitter",
                       "Walden, IEEE J. Sel. Areas Commun. 17(4) 539 (1999)", published, measured, 0.2, "dB");
  }
}

TEST_CASE("published: laser line shape and frequency noise") {
  // Line shape: 1/S(f) = a (1 + (2 f/FWHM)^2) of the averaged spectrum, a straight line in f^2.
  constexpr std::size_t n = 1 << 13;
  constexpr double rate = 200e6, linewidth = 1e6;
  LaserParameters p;
  p.linewidth = linewidth;
  std::vector<double> spectrum(n, 0.0);
  for (std::uint64_t frame = 0; frame < 600; ++frame) {
    const auto phase = run_laser(p, "tx", {n, rate}, RandomStreams(1, frame), ffts()).phase;
    ComplexRow<double> field(n);
    for (std::size_t t = 0; t < n; ++t)
      field[t] = std::polar(0.5 - 0.5 * std::cos(kTwoPi * static_cast<double>(t) / n), phase[t]);
    ffts().get<double>(n).forward(field);
    for (std::size_t k = 0; k < n; ++k) spectrum[k] += std::norm(field[k]);
  }
  double s0 = 0, s1 = 0, s2 = 0, t0 = 0, t1 = 0;  // weighted least squares, relative errors alike
  for (std::size_t k = 0; k < n; ++k) {
    const double f = bin_frequency(k, n, rate);
    if (std::abs(f) > 2.5e6) continue;
    const double y = 1.0 / spectrum[k], w = 1.0 / (y * y), x = f * f;
    s0 += w, s1 += w * x, s2 += w * x * x, t0 += w * y, t1 += w * x * y;
  }
  const double slope = (s0 * t1 - s1 * t0) / (s0 * s2 - s1 * s1), intercept = (t0 - slope * s1) / s0;
  const double fwhm = 2.0 * std::sqrt(intercept / slope);
  CHECK(fwhm == doctest::Approx(linewidth).epsilon(0.05));
  validation::record("Full width at half maximum of a 1 MHz laser's spectrum",
                     "Henry, IEEE J. Quantum Electron. 18(2) 259 (1982)", 1.0, fwhm / 1e6, 0.05, "MHz");
}

TEST_CASE("published: intensity noise, from the current of one diode lit by the oscillator alone") {
  constexpr std::size_t m = 1 << 16;
  LocalOscillatorParameters lo;
  lo.laser.rin = from_db(-145.0);
  FrontendParameters one_diode;
  one_diode.photodiodes.mismatch = 1.0;
  const auto trace = run_laser(lo.laser, "lo", {m, 128e9}, RandomStreams(1), ffts());
  const auto current = detect(Field<double>(m, 128e9), {lo, trace}, one_diode, RandomStreams(1), ffts()).x;
  double mean = 0, variance = 0;
  for (const auto& z : current) mean += z.real() / m;
  for (const auto& z : current) variance += std::pow(z.real() - mean, 2) / m;
  const double rin = to_db(variance / (mean * mean) / 64e9);
  CHECK(std::abs(rin + 145.0) < 0.3);
  validation::record("RIN read back from the detected current",
                     "definition: one-sided density of relative power", -145.0, rin, 0.3, "dB/Hz");
}
