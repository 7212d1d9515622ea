// Curves of the fibre and of the blocks between it and the converter.
#include <algorithm>
#include <cmath>
#include <complex>
#include <cstdio>

#include "sim/electronics/lanes.h"
#include "sim/frontend/frontend.h"
#include "sim/frontend/receiver_electronics.h"
#include "sim/signal/constellation.h"
#include "sim/signal/propagation/engine.h"
#include "sim/signal/pulse.h"
#include "sim/signal/units.h"
#include "tools/plots/hardware_curves.h"

namespace cohlink {
namespace {

std::string text_of(double value) {
  char text[32];
  std::snprintf(text, sizeof text, "%g", value);
  return text;
}

// Root-mean-square width of |a|^2 about its centre, in samples.
double width(const ComplexRow<double>& row) {
  double sum = 0.0, first = 0.0, second = 0.0;
  for (std::size_t t = 0; t < row.size(); ++t) {
    const double power = std::norm(row[t]), place = static_cast<double>(t);
    sum += power, first += power * place, second += power * place * place;
  }
  return std::sqrt(second / sum - std::pow(first / sum, 2));
}

Field<double> tone_in_x(std::size_t n, double rate, int cycles, double amplitude) {
  Field<double> field(n, rate);
  for (std::size_t t = 0; t < n; ++t)
    field.x[t] = std::polar(amplitude, kTwoPi * cycles * static_cast<double>(t) / static_cast<double>(n));
  return field;
}

LaserTrace still(std::size_t n) { return {std::vector<double>(n, 0.0), {}}; }

double variance(const std::vector<double>& lane) {
  double mean = 0.0, square = 0.0;
  for (const double x : lane) mean += x, square += x * x;
  const auto n = static_cast<double>(lane.size());
  return square / n - mean * mean / (n * n);
}

// |theta_n(0) / theta_n(i w)|^2 by the recursion of the Bessel polynomials.
double bessel_power(int order, double w) {
  const std::complex<double> s(0.0, w);
  std::complex<double> before = 1.0, now = s + 1.0, before0 = 1.0, now0 = 1.0;
  for (int n = 2; n <= order; ++n) {
    const auto next = (2.0 * n - 1.0) * now + s * s * before, next0 = (2.0 * n - 1.0) * now0;
    before = now, now = next, before0 = now0, now0 = next0;
  }
  return std::norm(now0 / now);
}

double bessel_three_db(int order) {
  double low = 0.1, high = 20.0;
  for (int k = 0; k < 60; ++k)
    (bessel_power(order, 0.5 * (low + high)) > 0.5 ? low : high) = 0.5 * (low + high);
  return low;
}

}  // namespace

// A Gaussian pulse, chirped or not, along standard fibre.
void fibre(const FftCache& fft) {
  constexpr std::size_t n = 1 << 13;
  constexpr double rate = 1e12, half_width = 20e-12;  // half width at 1/e of the power
  const FastEngine<double> engine(fft);
  const double beta2 = dispersion_to_beta2(17.0), length = half_width * half_width / std::abs(beta2);
  for (const double chirp : {-2.0, 0.0, 2.0}) {
    const std::string series = "chirp " + text_of(chirp);
    Field<double> pulse(n, rate);
    for (std::size_t t = 0; t < n; ++t) {
      const double u = (static_cast<double>(t) - n / 2.0) / rate / half_width;
      pulse.x[t] = std::exp(std::complex<double>(-0.5 * u * u, -0.5 * chirp * u * u));
    }
    const double initial = width(pulse.x);
    for (int k = 0; k <= 100; ++k) {
      // Chirp as Agrawal has it, for exp(-i w t) of the carrier; beta2 < 0.
      const double z = 0.03 * k, stretch = std::hypot(1.0 - chirp * z, z);
      point("fibre", series + ", theory", z, stretch);
      if (k % 10 != 0) continue;
      PropagationPlan plan;
      if (k > 0) plan.elements.push_back(SplitStep{z * length, {beta2, 0.0, 0.0, 0.0}});
      Field<double> out = pulse;
      engine(out, plan, RandomStreams(1));
      point("fibre", series, z, width(out.x) / initial);
    }
  }
}

// SNR against received power, with and without an optical pre-amplifier, of a receiver that thermal noise
// rules.
void preamplifier(const FftCache& fft) {
  const double oscillator = dbm_to_watt(12.0 - 6.0) / 2.0, responsivity = 0.8, thermal = 25e-12, rate = 32e9;
  const auto electrical = [&](double light) {  // light: W a polarisation into splitter and hybrid
    const double signal = light * from_db(-6.0);
    return responsivity * responsivity * signal * oscillator /
           (rate * (kElementaryCharge * responsivity * (oscillator + signal) + thermal * thermal));
  };
  const auto amplified = [&](double light, double noise_figure) {
    const double gain = 0.5e-3 / light, factor = from_db(noise_figure);
    const double ase = 0.5 * (factor - 1.0 / gain) * kPlanck * kCarrierHz;  // at the input, a polarisation
    return 1.0 / (rate * ase / light + 1.0 / electrical(0.5e-3));
  };
  const std::vector<std::string> base = {"signal.symbols=16384",
                                         "frontend.shot_noise=true",
                                         "frontend.thermal_noise_pa_per_sqrt_hz=25",
                                         "frontend.hybrid_loss_db=6",
                                         "frontend.responsivity_a_per_w=0.8",
                                         "laser_lo.power_dbm=12",
                                         "adc.bits=12"};
  for (double dbm = -46.0; dbm <= -14.0; dbm += 1.0) {
    const double light = dbm_to_watt(dbm) / 2.0;
    const auto both = [&](const std::string& series, double theory, const char* setting) {
      if (theory < 3.0) return;  // below 5 dB the blind receiver finds no lock
      point("preamplifier", series + ", theory", dbm, to_db(theory));
      if (std::fmod(dbm, 2.0) != 0.0 || theory < 4.0) return;
      std::vector<std::string> settings = base;
      settings.push_back("frontend.received_power_dbm=" + text_of(dbm));
      if (setting != nullptr) settings.emplace_back(setting);
      point("preamplifier", series, dbm, received_snr(settings, fft));
    };
    both("direct", electrical(light), nullptr);
    both("pre-amplifier of 5 dB to 0 dBm", amplified(light, 5.0), "frontend.preamplifier_noise_figure_db=5");
    both("pre-amplifier of 8 dB to 0 dBm", amplified(light, 8.0), "frontend.preamplifier_noise_figure_db=8");
  }
}

// What output X hears of Y, over what it hears of X.
void polarisation_splitter(const FftCache& fft) {
  constexpr std::size_t n = 8;
  for (const double extinction : {15.0, 20.0, 30.0}) {
    const std::string series = "extinction " + text_of(extinction) + " dB";
    for (int k = 0; k <= 100; ++k) {
      const double degrees = 0.12 * k, leak = std::pow(10.0, -extinction / 20.0);
      FrontendParameters p;
      p.splitter = {degrees * kPi / 180.0, leak};
      const double s = std::sin(p.splitter.angle), c = std::cos(p.splitter.angle);
      point("splitter", series + ", theory", degrees,
            to_db((s * s + leak * leak * c * c) / (c * c + leak * leak * s * s)));
      if (k % 5 != 0) continue;
      Field<double> from_x = tone_in_x(n, 1.0, 1, 1e-3), from_y = from_x;
      std::swap(from_y.x, from_y.y);
      const auto right = detect(from_x, {{}, still(n)}, p, RandomStreams(1), fft).x,
                 wrong = detect(from_y, {{}, still(n)}, p, RandomStreams(1), fft).x;
      point("splitter", series, degrees, to_db(mean_power(wrong) / mean_power(right)));
    }
  }
}

// What an imperfect balance lets through, over the beat: intensity noise in the signal's band, and self-beat.
void photodiodes(const FftCache& fft) {
  constexpr std::size_t symbols = 8192;
  constexpr double symbol_rate = 32e9, rate = 4 * symbol_rate;
  const double received = dbm_to_watt(-10.0) / 2.0;  // a polarisation
  LocalOscillatorParameters lo;
  lo.power = dbm_to_watt(13.0);
  lo.laser.rin = from_db(-140.0);
  const double oscillator = lo.power / 2.0;
  RandomStream random = RandomStreams(1).stream("bits-x");
  Bits bits(2 * symbols);
  for (auto& bit : bits) bit = static_cast<std::uint8_t>(random.bits() & 1);
  Field<double> light(4 * symbols, rate), dark = light;
  light.x = shape_symbols(map_bits(Modulation::kQpsk, bits, false), {Pulse::kRrc, 0.1, symbol_rate}, 4, fft);
  double fourth = 0.0;
  const double power = mean_power(light.x);
  for (auto& a : light.x) {
    fourth += std::pow(std::norm(a) / power, 2) / static_cast<double>(light.size());
    a *= std::sqrt(received / power);
  }
  const auto noisy = run_laser(lo.laser, "lo", {light.size(), rate}, RandomStreams(1), fft);
  LocalOscillatorParameters none = lo;
  none.power = 0.0;
  const double beat = 0.5 * received * oscillator;  // variance of one output, 1 A/W
  for (double cmrr = 8.0; cmrr <= 40.0; cmrr += 1.0) {
    FrontendParameters p;
    p.photodiodes.mismatch = mismatch_of_cmrr(cmrr);
    const double m = p.photodiodes.mismatch;
    point("photodiodes", "oscillator RIN of -140 dB/Hz, theory", cmrr,
          to_db(m * m * oscillator * *lo.laser.rin * symbol_rate / (4.0 * received)));
    point("photodiodes", "self-beat of the signal, theory", cmrr,
          to_db(m * m * (fourth - 1.0) * received / (2.0 * oscillator)));
    if (std::fmod(cmrr, 2.0) != 0.0) continue;
    const auto leak = detect(dark, {lo, noisy}, p, RandomStreams(1), fft).x,
               square = detect(light, {none, still(light.size())}, p, RandomStreams(1), fft).x;
    point("photodiodes", "oscillator RIN of -140 dB/Hz", cmrr,
          to_db(variance(lane_of(leak, false)) * symbol_rate / rate / beat));
    point("photodiodes", "self-beat of the signal", cmrr, to_db(variance(lane_of(square, false)) / beat));
  }
}

// Both edges of the electrical band, by tones.
void electronics(const FftCache& fft) {
  constexpr std::size_t n = 1 << 12;
  constexpr double rate = 128e9, bandwidth = 20e9;
  for (const int order : {2, 4, 8}) {
    const std::string series = "order " + text_of(order);
    ReceiverElectronicsParameters p;
    p.bandwidth = bandwidth;
    p.bandwidth_order = order;
    const double scale = bessel_three_db(order) / bandwidth;
    for (int cycles = 16; cycles < 1920; cycles += 16) {
      const double f = cycles * rate / n, formula = to_db(bessel_power(order, scale * f));
      if (formula < -32.0) break;
      point("electronics", series + ", theory", f / 1e9, formula);
      if (cycles % 80 != 0) continue;
      const auto in = tone_in_x(n, rate, cycles, 1e-4);
      point("electronics", series, f / 1e9,
            to_db(mean_power(amplify_currents(in, p, fft).currents.x) / mean_power(in.x)));
    }
  }
}

void coupling(const FftCache& fft) {
  constexpr std::size_t n = 1 << 16;
  constexpr double rate = 1e9;
  for (const double corner : {100e3, 1e6}) {
    const std::string series = text_of(corner / 1e3) + " kHz";
    ReceiverElectronicsParameters p;
    p.low_cutoff = corner;
    for (int cycles = 1; cycles < 3000; cycles = cycles * 3 / 2 + 1) {
      const double f = cycles * rate / n;
      point("coupling", series + ", theory", f / 1e6, to_db(f * f / (f * f + corner * corner)));
      const auto in = tone_in_x(n, rate, cycles, 1e-4);
      point("coupling", series, f / 1e6,
            to_db(mean_power(amplify_currents(in, p, fft).currents.x) / mean_power(in.x)));
    }
  }
}

// Output voltage against input current, of a sine: gain set or controlled, and the stage that saturates.
void gain_control(const FftCache& fft) {
  constexpr std::size_t n = 4096;
  constexpr double limit = 0.4, ohm = 1000.0, controlled = 0.15;
  const auto rapp_rms = [](double peak) {  // of a sine through x / (1 + (x/limit)^4)^(1/4)
    double square = 0.0;
    for (int k = 0; k < 4000; ++k) {
      const double x = peak * std::sin(kTwoPi * (k + 0.5) / 4000);
      square += x * x / std::sqrt(1.0 + std::pow(x / limit, 4)) / 4000;
    }
    return std::sqrt(square);
  };
  for (int k = 0; k <= 60; ++k) {
    const double current = 20e-6 * std::pow(10.0, k / 30.0);  // rms
    point("gain", "1 kohm, saturates at 400 mV, theory", current * 1e6,
          1e3 * rapp_rms(std::sqrt(2.0) * ohm * current));
    point("gain", "automatic, to 150 mV, theory", current * 1e6, 1e3 * rapp_rms(std::sqrt(2.0) * controlled));
    if (k % 4 != 0) continue;
    for (const bool automatic : {false, true}) {
      ReceiverElectronicsParameters p;
      p.automatic_gain = automatic;
      p.transimpedance = ohm;
      p.output_rms = controlled;
      p.saturation = limit;
      const auto out = amplify_currents(tone_in_x(n, 128e9, 7, std::sqrt(2.0) * current), p, fft);
      point("gain", automatic ? "automatic, to 150 mV" : "1 kohm, saturates at 400 mV", current * 1e6,
            1e3 * rms(lane_of(out.currents.x, false)) * out.transimpedance[0]);
    }
  }
}

}  // namespace cohlink
