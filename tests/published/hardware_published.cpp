// Transmitter, lasers, front end and converter against published formulas and common-practice figures.
#include <doctest/doctest.h>

#include <algorithm>
#include <cmath>
#include <cstdio>
#include <map>
#include <string>
#include <vector>

#include "rx/receiver.h"
#include "sim/frontend/adc.h"
#include "sim/frontend/frontend.h"
#include "sim/link.h"
#include "sim/link_setup.h"
#include "sim/signal/constellation.h"
#include "sim/signal/pulse.h"
#include "sim/signal/units.h"
#include "sim/transmitter/laser.h"
#include "tests/ffts.h"
#include "tests/validation.h"

using namespace cohlink;
using test::ffts;
using Complex = std::complex<double>;

namespace {

using Settings = std::vector<std::string>;

Scenario scenario_with(const Settings& settings) {
  Scenario s;
  for (const auto& assignment : settings) s.set(assignment);
  return s;
}

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
  const auto currents = detect(tone, lo, still, p, RandomStreams(1), ffts()).x;
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

TEST_CASE("published: laser line shape, frequency noise and intensity noise") {
  // Line shape: 1/S(f) = a (1 + (2 f/FWHM)^2) of the averaged spectrum, a straight line in f^2.
  constexpr std::size_t n = 1 << 13;
  constexpr double rate = 200e6, linewidth = 1e6;
  LaserParameters p;
  p.linewidth = linewidth;
  std::vector<double> spectrum(n, 0.0);
  for (std::uint64_t frame = 0; frame < 600; ++frame) {
    const auto phase = run_laser(p, "tx", n, rate, RandomStreams(1, frame), ffts()).phase;
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

  // Intensity noise, from the current of one diode lit by the oscillator alone.
  constexpr std::size_t m = 1 << 16;
  LocalOscillatorParameters lo;
  lo.laser.rin = from_db(-145.0);
  FrontendParameters one_diode;
  one_diode.photodiodes.mismatch = 1.0;
  const auto trace = run_laser(lo.laser, "lo", m, 128e9, RandomStreams(1), ffts());
  const auto current = detect(Field<double>(m, 128e9), lo, trace, one_diode, RandomStreams(1), ffts()).x;
  double mean = 0, variance = 0;
  for (const auto& z : current) mean += z.real() / m;
  for (const auto& z : current) variance += std::pow(z.real() - mean, 2) / m;
  const double rin = to_db(variance / (mean * mean) / 64e9);
  CHECK(std::abs(rin + 145.0) < 0.3);
  validation::record("RIN read back from the detected current",
                     "definition: one-sided density of relative power", -145.0, rin, 0.3, "dB/Hz");
}

namespace {

struct Flaw {
  std::string name;
  Settings settings;
  bool by_errors = false;  // the cost is told by bit errors: what the flaw adds is not noise-like
};

// Typical values of data sheets and implementation agreements, one flaw at a time.
std::vector<Flaw> typical_flaws() {
  return {
      {"DAC of 8 bits, ENOB 5.5, at 64 GSa/s",
       {"transmitter.dac_bits=8", "transmitter.dac_enob=5.5", "transmitter.dac_sample_rate_gsa=64",
        "transmitter.preemphasis_db=6"}},
      {"DAC hold at 64 GSa/s, no pre-emphasis", {"transmitter.dac_sample_rate_gsa=64"}},
      {"transmitter bandwidth 20 GHz, pre-emphasis 6 dB",
       {"transmitter.dac_bandwidth_ghz=20", "transmitter.preemphasis_db=6"}},
      {"transmitter bandwidth 28 GHz, no pre-emphasis", {"transmitter.dac_bandwidth_ghz=28"}},
      {"driver saturating at 2.5 V for 1 V rms", {"transmitter.driver_saturation_v=2.5"}},
      {"interferometer modulator, 1 V rms into V_pi 4 V", {"transmitter.modulator=iq"}},
      {"child extinction 25 dB, biases under control",
       {"transmitter.modulator=iq", "transmitter.predistortion=arcsine",
        "transmitter.modulator_extinction_db=25", "transmitter.bias_control=automatic"}},
      {"outer extinction 25 dB",
       {"transmitter.modulator=iq", "transmitter.predistortion=arcsine",
        "transmitter.modulator_outer_extinction_db=25"}},
      {"child bias error 3 deg",
       {"transmitter.modulator=iq", "transmitter.predistortion=arcsine",
        "transmitter.modulator_bias_error_i_deg=3"}},
      {"child bias error of Q 3 deg",
       {"transmitter.modulator=iq", "transmitter.predistortion=arcsine",
        "transmitter.modulator_bias_error_q_deg=3"}},
      {"transmitter I/Q gain 0.5 dB", {"transmitter.iq_gain_imbalance_db=0.5"}},
      {"transmitter I/Q phase 3 deg", {"transmitter.iq_phase_error_deg=3"}},
      {"transmitter I/Q skew 0.75 ps", {"transmitter.iq_skew_ps=0.75"}},
      {"X/Y power 1 dB", {"transmitter.xy_power_imbalance_db=1"}},
      {"X/Y skew 5 ps", {"transmitter.xy_skew_ps=5"}},
      {"launch amplifier NF 5 dB after 10 dB of loss",
       {"transmitter.modulator=iq", "transmitter.predistortion=arcsine", "transmitter.modulator_loss_db=10",
        "transmitter.launch_amplifier_noise_figure_db=5"}},
      {"transmit laser 100 kHz", {"transmitter.laser_linewidth_khz=100"}},
      {"transmit laser 1/f noise 3e4 Hz2/Hz at 1 MHz", {"transmitter.laser_flicker_hz2_per_hz=3e4"}},
      {"transmit laser RIN -145 dB/Hz", {"transmitter.laser_rin_db_per_hz=-145"}},
      {"transmit laser dither 50 MHz at 10 kHz", {"transmitter.laser_dither_mhz=50"}},
      {"oscillator 100 kHz", {"laser_lo.linewidth_khz=100"}},
      {"oscillator 1/f noise 3e4 Hz2/Hz at 1 MHz", {"laser_lo.flicker_hz2_per_hz=3e4"}},
      {"oscillator dither 50 MHz at 10 kHz", {"laser_lo.dither_mhz=50"}},
      {"oscillator drift 10 MHz/ms", {"laser_lo.drift_mhz_per_ms=10"}},
      {"oscillator RIN -145 dB/Hz, CMRR 20 dB", {"laser_lo.rin_db_per_hz=-145", "frontend.cmrr_db=20"}},
      {"CMRR 20 dB at 0 dBm", {"frontend.cmrr_db=20"}},
      {"polarisation splitter 20 dB", {"frontend.pbs_extinction_db=20"}},
      {"polarisation splitter 2 deg", {"frontend.pbs_angle_deg=2"}},
      {"oscillator split 1 dB", {"frontend.lo_split_imbalance_db=1"}},
      {"oscillator path loss 1 dB, thermal noise 20 pA/sqrt(Hz) at -10 dBm",
       {"frontend.lo_loss_db=1", "frontend.thermal_noise_pa_per_sqrt_hz=20",
        "frontend.received_power_dbm=-10"}},
      {"input couplers 0.5 dB", {"frontend.splitter_imbalance_db=0.5"}},
      {"combiners 0.5 dB", {"frontend.combiner_imbalance_db=0.5"}},
      {"input couplers 0.5 dB, of Y alone", {"frontend.splitter_imbalance_y_db=0.5"}},
      {"combiners 0.5 dB, of Y alone", {"frontend.combiner_imbalance_y_db=0.5"}},
      {"coupler phase 5 deg, CMRR 20 dB", {"frontend.coupler_phase_error_deg=5", "frontend.cmrr_db=20"}},
      {"hybrid phase 5 deg, of Y alone", {"frontend.hybrid_phase_error_y_deg=5"}},
      {"CMRR 20 dB at 0 dBm, of Y alone", {"frontend.cmrr_y_db=20"}},
      {"P/N skew 2 ps", {"frontend.pn_skew_ps=2"}},
      {"P/N skew 2 ps, of Y alone", {"frontend.pn_skew_y_ps=2"}},
      {"P/N skew 2 ps, oscillator RIN -145 dB/Hz", {"frontend.pn_skew_ps=2", "laser_lo.rin_db_per_hz=-145"}},
      {"hybrid phase 5 deg", {"frontend.hybrid_phase_error_deg=5"}},
      {"shot noise at -10 dBm", {"frontend.shot_noise=true", "frontend.received_power_dbm=-10"}},
      {"dark current 100 nA at -10 dBm",
       {"frontend.shot_noise=true", "frontend.dark_current_na=100", "frontend.received_power_dbm=-10"}},
      {"thermal noise 20 pA/sqrt(Hz) at -10 dBm",
       {"frontend.thermal_noise_pa_per_sqrt_hz=20", "frontend.received_power_dbm=-10"}},
      {"pre-amplifier NF 5 dB at -15 dBm",
       {"frontend.preamplifier_noise_figure_db=5", "frontend.received_power_dbm=-15"}},
      {"receiver bandwidth 22 GHz", {"frontend.bandwidth_ghz=22"}},
      {"AC coupling at 100 kHz", {"frontend.low_cutoff_khz=100"}},
      {"manual gain: 300 ohm, full scale 500 mV, at -10 dBm",
       {"frontend.gain_control=manual", "frontend.transimpedance_ohm=300", "adc.full_scale_mv=500",
        "frontend.received_power_dbm=-10"}},
      {"amplifier saturating at 450 mV for 150 mV rms", {"frontend.output_saturation_mv=450"}, true},
      {"receiver I/Q skew 1 ps", {"frontend.iq_skew_ps=1"}},
      {"receiver X/Y skew 5 ps", {"frontend.xy_skew_ps=5"}},
      {"ADC of 8 bits", {"adc.bits=8"}},
      {"ADC ENOB 5.5", {"adc.enob=5.5"}},
      {"ADC loading -8 dB", {"adc.loading_db=-8"}},
      {"ADC clock phase 0.3 samples", {"adc.clock_phase_samples=0.3"}},
      {"ADC jitter 150 fs", {"adc.jitter_fs=150"}},
      {"ADC clock wander 300 fs at 1 MHz", {"adc.sine_jitter_fs=300"}},
      {"ADC clock off by 20 ppm", {"adc.clock_offset_ppm=20"}},
      {"ADC lane YQ late by 1 ps", {"adc.skew_yq_ps=1"}},
      {"ADC gain spread 0.5 dB", {"adc.gain_spread_db=0.5"}},
      {"ADC offset spread 1 %", {"adc.offset_spread_percent=1"}},
      {"16 sub-converters: 0.5 % gain, 0.5 % offset, 200 fs",
       {"adc.interleave=16", "adc.interleave_gain_percent=0.5", "adc.interleave_offset_percent=0.5",
        "adc.interleave_skew_fs=200"}},
  };
}

struct Reception {
  double noise = 0;  // noise over signal
  ErrorCount errors;
};

// The whole receiver over four frames; the same data and noise each time.
Reception received(Settings settings) {
  // The oscillator is off by 200 MHz, so that a carrier left over by the modulator is no mere DC.
  const Settings base = {"signal.modulation=16qam", "signal.symbols=16384", "channel.osnr_db=16.79",
                         "laser_lo.frequency_offset_mhz=200", "adc.bits=16"};
  settings.insert(settings.begin(), base.begin(), base.end());
  const Scenario scenario = scenario_with(settings);
  const Link link(scenario, ffts());
  const Receiver receiver(scenario, ffts());
  Reception all;
  for (std::uint64_t frame = 0; frame < 4; ++frame) {
    const ReceiverResult result = receiver(link(frame));
    all.noise += from_db(-result.snr_db) / 4.0;
    all.errors += result.score.value().both;
  }
  return all;
}

// The ideal link on the same grid of light as `settings` choose, so that it meets the same noise.
const Reception& clean_beside(const Settings& settings) {
  static std::map<std::size_t, Reception> known;
  const std::size_t samples = link_setup(scenario_with(settings)).transmitter.samples_per_symbol;
  const auto found = known.find(samples);
  if (found != known.end()) return found->second;
  return known[samples] = received({"run.samples_per_symbol=" + std::to_string(samples)});
}

double snr_of_errors(const Reception& r) { return theory_snr(Modulation::kQam16, r.errors.ber()); }

}  // namespace

TEST_CASE("published: each flaw alone at a data-sheet-typical value costs between 0 and 0.5 dB") {
  // 32 GBd 16QAM at the OSNR of BER 2e-2. A flaw adds noise f = 1/S - 1/S0; keeping the total needs an OSNR
  // higher by -10 log10(1 - S0 f). Data and noise are the same with and without the flaw, so that the
  // difference is known far better than each SNR (0.01 dB); a flaw that asks for more samples a symbol is
  // held against the ideal link on as many; what adaptation leaves of it is 0.02 dB. Where the SNR comes from
  // errors, their difference (a few hundred of 10,000) leaves 0.05 dB.
  CHECK(std::abs(-to_db(clean_beside({}).noise) - 12.71) < 0.6);
  for (const Flaw& flaw : typical_flaws()) {
    const Reception& clean = clean_beside(flaw.settings);
    const Reception flawed = received(flaw.settings);
    const double ratio =
        flaw.by_errors ? snr_of_errors(clean) / snr_of_errors(flawed) : flawed.noise / clean.noise;
    const double cost = ratio < 2.0 ? -to_db(2.0 - ratio) : 99.0;
    CAPTURE(flaw.name);
    CAPTURE(cost);
    CHECK(cost > (flaw.by_errors ? -0.05 : -0.02));
    CHECK(cost < 0.5);
    char figure[32];
    std::snprintf(figure, sizeof figure, "%.2f +- %.2f dB", std::max(0.0, cost),
                  flaw.by_errors ? 0.05 : 0.02);
    validation::record("Cost of one flaw: " + flaw.name, "16QAM, 32 GBd, BER 2e-2; value: common practice",
                       "0 to 0.5 dB", figure);
  }
}

TEST_CASE("published: direct sensitivity of a receiver with ordinary parts lies between -24 and -18 dBm") {
  Scenario scenario;
  scenario.read_file(std::string(COHLINK_SOURCE_DIR) + "/scenarios/direct-sensitivity.ini");
  const auto ber = [&](double dbm) {
    Scenario s = scenario;
    s.set(key_value("frontend.received_power_dbm", dbm));
    return Receiver(s, ffts())(Link(s, ffts())(0)).score.value().both.ber();
  };
  // Q in dB is close to linear in the power: interpolate the crossing of 2e-2.
  double above = -18.0, below = -24.0;
  const double ber_above = ber(above), ber_below = ber(below);
  CHECK(ber_above < 2e-2);
  CHECK(ber_below > 2e-2);
  while (above - below > 0.25) {
    const double middle = 0.5 * (above + below);
    (ber(middle) < 2e-2 ? above : below) = middle;
  }
  const double sensitivity = 0.5 * (above + below);
  // What rules it: the SNR that each source's absence would give back.
  const auto snr_without = [&](const Settings& settings) {
    Scenario s = scenario;
    s.set(key_value("frontend.received_power_dbm", sensitivity));
    for (const auto& assignment : settings) s.set(assignment);
    return Receiver(s, ffts())(Link(s, ffts())(0)).snr_db;
  };
  const double all = snr_without({}),
               thermal = snr_without({"frontend.thermal_noise_pa_per_sqrt_hz=0"}) - all;
  const double shot = snr_without({"frontend.shot_noise=false", "frontend.dark_current_na=0"}) - all;
  const double intensity = snr_without({"laser_lo.rin_db_per_hz="}) - all,
               converter = snr_without({"adc.enob=", "adc.jitter_fs=0"}) - all;
  CHECK(thermal > 2.0);
  CHECK(thermal > 2.0 * std::max({shot, intensity, converter}));
  CHECK(snr_without({"laser_lo.power_dbm=15"}) - all > 1.0);  // so the oscillator's power decides
  char figures[120];
  std::snprintf(figures, sizeof figures, "thermal %.1f, shot %.1f, oscillator RIN %.1f, converter %.1f dB",
                thermal, shot, intensity, converter);
  validation::record("What rules the direct sensitivity: SNR given back by each source's absence",
                     "common practice", "thermal noise", figures);
  validation::record("Direct sensitivity of 59.84 GBd 16QAM at BER 2e-2 (scenarios/direct-sensitivity.ini)",
                     "common practice, no optical amplifier", "-24 to -18 dBm",
                     std::to_string(sensitivity).substr(0, 6) + " dBm");
}
