// Prints what the plots of the hardware blocks draw (hardware_blocks.py): one line a point,
// "figure,series,x,y", series that end in "theory" from a formula, the others measured on the blocks
// themselves.
#include <cmath>
#include <cstdio>
#include <string>
#include <vector>

#include "rx/receiver.h"
#include "sim/frontend/adc.h"
#include "sim/frontend/frontend.h"
#include "sim/link.h"
#include "sim/signal/units.h"
#include "sim/transmitter/dac.h"
#include "sim/transmitter/driver.h"
#include "sim/transmitter/iq_modulator.h"
#include "sim/transmitter/laser.h"
#include "tools/plots/hardware_curves.h"

namespace cohlink {

void point(const char* figure, const std::string& series, double x, double y) {
  std::printf("%s,%s,%.9g,%.9g\n", figure, series.c_str(), x, y);
}

double received_snr(const std::vector<std::string>& settings, const FftCache& fft) {
  Scenario s;
  for (const auto& assignment : settings) s.set(assignment);
  return Receiver(s, fft)(Link(s, fft)(0)).snr_db;
}

namespace {

// Power of a child interferometer against its drive, and what predistortion does to the whole transfer.
void modulator() {
  for (int k = -300; k <= 300; ++k) {
    const double volt = k / 100.0;  // in V_pi
    for (const double extinction : {15.0, 25.0}) {
      const double power = std::norm(mach_zehnder(kPi * volt - kPi, std::pow(10.0, -extinction / 20.0)));
      point("modulator", "extinction " + std::to_string(static_cast<int>(extinction)) + " dB", volt,
            to_db(power));
    }
  }
  IqModulatorParameters p;
  p.v_pi = 1.0;
  for (int k = -100; k <= 100; ++k) {
    const double u = k / 100.0;
    Field<double> drive(1, 1.0);
    drive.x[0] = u * 2.0 / kPi;  // small-signal field u
    point("compression", "plain", u, 2.0 * IqTransfer(p)(drive.x[0]).real());
    predistort_arcsine(drive, 1.0, p.v_pi);
    point("compression", "arcsine", u, 2.0 * IqTransfer(p)(drive.x[0]).real());
    point("compression", "straight line, theory", u, u);
  }
}

// Hold, path and pre-emphasis, measured by sending tones through the converter.
void dac(const FftCache& fft) {
  DacParameters hold, path, lifted;
  hold.sample_rate = path.sample_rate = lifted.sample_rate = 64e9;
  path.bandwidth = lifted.bandwidth = 20e9;
  lifted.preemphasis_db = 6.0;
  constexpr std::size_t n = 4096;
  constexpr double rate = 256e9;
  const auto response = [&](const DacParameters& p, int cycles) {
    Field<double> tone(n, rate);
    for (std::size_t t = 0; t < n; ++t)
      tone.x[t] = std::polar(1.0, kTwoPi * cycles * static_cast<double>(t) / n);
    convert_to_analogue(tone, p, RandomStreams(1), fft);
    std::complex<double> line = 0.0;
    for (std::size_t t = 0; t < n; ++t)
      line += tone.x[t] * std::polar(1.0 / n, -kTwoPi * cycles * static_cast<double>(t) / n);
    return to_db(std::norm(line));
  };
  for (int cycles = 8; cycles < 500; cycles += 8) {
    const double f = cycles * rate / n;
    point("dac", "hold at 64 GSa/s", f / 1e9, response(hold, cycles));
    point("dac", "and 20 GHz path", f / 1e9, response(path, cycles));
    point("dac", "and pre-emphasis up to 6 dB", f / 1e9, response(lifted, cycles));
    point("dac", "sinc, theory", f / 1e9, 20.0 * std::log10(std::sin(kPi * f / 64e9) / (kPi * f / 64e9)));
  }
}

// The driver's knee.
void driver() {
  DriverParameters p;
  p.saturation = 2.0;
  for (int k = 0; k <= 100; ++k) {
    const double volt = 0.05 * k;
    point("driver", "Rapp's formula, theory", volt, volt / std::pow(1.0 + std::pow(volt / 2.0, 4), 0.25));
    point("driver", "linear, theory", volt, volt);
    if (k % 5 != 0) continue;
    Field<double> drive(1, 1.0);
    drive.x[0] = volt / p.volt_per_unit();
    amplify_drive(drive, p);
    point("driver", "saturation at 2 V", volt, drive.x[0].real() * p.volt_per_unit());
  }
}

// One-sided periodogram averaged over octave thirds [unit^2/Hz against Hz].
void print_density(const char* figure, const std::string& series,
                   const std::vector<std::vector<double>>& records, double rate, const FftCache& fft) {
  const std::size_t n = records[0].size();
  std::vector<double> sum(n / 2, 0.0);
  for (const auto& record : records) {
    ComplexRow<double> row(n);
    for (std::size_t t = 0; t < n; ++t)
      row[t] = record[t] * (0.5 - 0.5 * std::cos(kTwoPi * static_cast<double>(t) / n));
    fft.get<double>(n).forward(row);
    for (std::size_t k = 0; k < n / 2; ++k) sum[k] += 2.0 * std::norm(row[k]) / (0.375 * n * rate);
  }
  for (double low = 8.0; low * 1.26 < n / 2.0; low *= 1.26) {
    double mean = 0.0;
    std::size_t count = 0;
    for (auto k = static_cast<std::size_t>(low); k < static_cast<std::size_t>(low * 1.26) + 1; ++k, ++count)
      mean += sum[k];
    const double centre = low * 1.12 * rate / n;
    point(figure, series, centre, mean / static_cast<double>(count * records.size()));
  }
}

void laser(const FftCache& fft) {
  constexpr std::size_t n = 1 << 16;
  constexpr double rate = 1e9;
  LaserParameters white, pink;
  white.linewidth = pink.linewidth = 100e3;
  pink.flicker = 3e5;
  const auto frequencies = [&](const LaserParameters& p) {
    std::vector<std::vector<double>> records;
    for (std::uint64_t frame = 0; frame < 64; ++frame) {
      const auto phase = run_laser(p, "tx", {n + 1, rate}, RandomStreams(1, frame), fft).phase;
      std::vector<double> f(n);
      for (std::size_t t = 0; t < n; ++t) f[t] = (phase[t + 1] - phase[t]) * rate / kTwoPi;
      records.push_back(std::move(f));
    }
    return records;
  };
  print_density("laser", "100 kHz Lorentzian", frequencies(white), rate, fft);
  print_density("laser", "with 1/f noise", frequencies(pink), rate, fft);
  for (double f = 1e5; f < 5e8; f *= 1.3) {
    point("laser", "linewidth / pi, theory", f, 100e3 / kPi);
    point("laser", "linewidth / pi + 1/f, theory", f, 100e3 / kPi + 3e5 * 1e6 / f);
  }
}

// SNR against oscillator power, and what imperfect balance does to it.
void oscillator(const FftCache& fft) {
  const double received = dbm_to_watt(-30.0) / 2.0, thermal = 20e-12;
  const std::vector<std::string> base = {"signal.symbols=16384",
                                         "frontend.shot_noise=true",
                                         "frontend.thermal_noise_pa_per_sqrt_hz=20",
                                         "frontend.received_power_dbm=-30",
                                         "frontend.low_cutoff_khz=100",
                                         "adc.bits=12"};
  for (double dbm = -6.0; dbm <= 20.0; dbm += 2.0) {
    std::vector<std::string> settings = base;
    settings.push_back("laser_lo.power_dbm=" + std::to_string(dbm));
    point("oscillator", "perfect balance", dbm, received_snr(settings, fft));
    settings.push_back("laser_lo.rin_db_per_hz=-145");
    settings.push_back("frontend.cmrr_db=20");
    point("oscillator", "RIN -145 dB/Hz, CMRR 20 dB", dbm, received_snr(settings, fft));
    const double lo = dbm_to_watt(dbm) / 2.0, leak = 0.1 * 0.1 * from_db(-145.0) * lo * lo / 4.0;
    const double noise = kElementaryCharge * (lo + received) + thermal * thermal;
    point("oscillator", "perfect balance, theory", dbm, to_db(received * lo / (32e9 * noise)));
    point("oscillator", "RIN -145 dB/Hz, CMRR 20 dB, theory", dbm,
          to_db(received * lo / (32e9 * (noise + leak))));
    point("oscillator", "shot noise alone, theory", dbm, to_db(received / (32e9 * kElementaryCharge)));
  }
}

// Image of a tone against the hybrid's phase error.
void hybrid_image(const FftCache& fft) {
  constexpr std::size_t n = 256;
  for (double degrees = 0.5; degrees <= 10.0; degrees += 0.5) {
    FrontendParameters p;
    p.hybrid.phase_error = degrees * kPi / 180.0;
    Field<double> tone(n, 1.0);
    for (std::size_t t = 0; t < n; ++t)
      tone.x[t] = std::polar(1e-3, kTwoPi * 7.0 * static_cast<double>(t) / n);
    const auto x = detect(tone, {{}, {std::vector<double>(n, 0.0), {}}}, p, RandomStreams(1), fft).x;
    std::complex<double> direct = 0.0, image = 0.0;
    for (std::size_t t = 0; t < n; ++t) {
      const auto turn = std::polar(1.0, kTwoPi * 7.0 * static_cast<double>(t) / n);
      direct += x[t] * std::conj(turn);
      image += x[t] * turn;
    }
    point("image", "measured", degrees, to_db(std::norm(image / direct)));
    point("image", "tan squared of half the error, theory", degrees,
          20.0 * std::log10(std::tan(degrees * kPi / 360.0)));
  }
}

// SNR of a sine of nearly full scale against its frequency.
void adc(const FftCache& fft) {
  constexpr std::size_t n = 1 << 15;
  constexpr double rate = 64e9;
  const auto snr = [&](const AdcParameters& p, int cycles) {
    ElectricalLanes lanes{Field<double>(n, rate), {1, 1, 1, 1}};
    for (std::size_t t = 0; t < n; ++t)
      lanes.currents.x[t] = 0.9 * std::sin(kTwoPi * cycles * static_cast<double>(t) / n);
    const auto codes =
        convert(lanes, p, draw_adc_errors(p, RandomStreams(1)), RandomStreams(1), fft).lanes[0];
    std::complex<double> line = 0.0;
    double mean = 0.0, power = 0.0;
    for (std::size_t k = 0; k < n; ++k) {
      line +=
          static_cast<double>(codes[k]) * std::polar(1.0 / n, -kTwoPi * cycles * static_cast<double>(k) / n);
      mean += codes[k] / static_cast<double>(n);
      power += codes[k] * static_cast<double>(codes[k]) / n;
    }
    const double signal = 2.0 * std::norm(line);
    return to_db(signal / (power - mean * mean - signal));
  };
  AdcParameters ideal, noisy, spurious;
  ideal.sample_rate = noisy.sample_rate = spurious.sample_rate = rate;
  ideal.full_scale = noisy.full_scale = spurious.full_scale = 1.0;
  noisy.quantiser.enob = spurious.quantiser.enob = 6.0;
  noisy.jitter = spurious.jitter = 100e-15;
  spurious.interleaving = {16, 0.005, 0.005, 200e-15};
  for (int cycles = 501; cycles < 16384; cycles = cycles * 5 / 4 + 1) {
    const double f = cycles * rate / n;
    point("adc", "8 bits", f / 1e9, snr(ideal, cycles));
    point("adc", "ENOB 6, 100 fs of jitter", f / 1e9, snr(noisy, cycles));
    point("adc", "and 16 sub-converters", f / 1e9, snr(spurious, cycles));
    const double quantising = from_db(-(6.0206 * 6.0 + 1.7609 + 20.0 * std::log10(0.9)));
    point("adc", "8 bits, theory", f / 1e9, 6.0206 * 8.0 + 1.7609 + 20.0 * std::log10(0.9));
    point("adc", "ENOB 6, 100 fs of jitter, theory", f / 1e9,
          -to_db(quantising + std::pow(kTwoPi * f * 100e-15, 2)));
  }
}

}  // namespace
}  // namespace cohlink

int main() {
  cohlink::FftCache fft(cohlink::FftPlanning::kEstimate, "");
  std::printf("figure,series,x,y\n");
  cohlink::modulator();
  cohlink::dac(fft);
  cohlink::driver();
  cohlink::laser(fft);
  cohlink::fibre(fft);
  cohlink::preamplifier(fft);
  cohlink::polarisation_splitter(fft);
  cohlink::hybrid_image(fft);
  cohlink::photodiodes(fft);
  cohlink::oscillator(fft);
  cohlink::electronics(fft);
  cohlink::coupling(fft);
  cohlink::gain_control(fft);
  cohlink::adc(fft);
  return 0;
}
