#include "sim/budget/noise_terms.h"

#include <algorithm>
#include <cmath>
#include <limits>

#include "sim/optical_amplifier.h"
#include "sim/signal/pulse.h"
#include "sim/signal/units.h"

namespace cohlink {
namespace {

/// What reaches each photodiode pair, per polarisation.
struct Detection {
  double signal = 0;  // W of signal alone
  double light = 0;   // W of signal and noise
  double oscillator = 0;
  double responsivity = 1;
  double current_squared() const { return responsivity * responsivity * signal * oscillator; }
};

Detection detection_of(const LinkSetup& setup, const LightLevels& arriving) {
  const ReceiverInputParameters& input = setup.receiver_input;
  const double power =
      input.preamplifier ? input.preamplifier->output_power : input.received(arriving.total_power);
  const double through = setup.frontend.hybrid.transmission;
  Detection d;
  d.light = 0.5 * power * through;
  d.signal = d.light * arriving.signal_power / arriving.total_power;
  d.oscillator = 0.5 * setup.oscillator.power * setup.frontend.oscillator_transmission * through;
  d.responsivity = setup.frontend.photodiodes.responsivity;
  return d;
}

double shot_ratio(const LinkSetup& setup, const Detection& d, double symbol_rate) {
  const PhotodiodeParameters& diodes = setup.frontend.photodiodes;
  if (!diodes.shot_noise) return 0.0;
  // I + iQ of one polarisation: one-sided 2 q I of all four diodes, i.e. q I a hertz in the complex envelope.
  const double current = d.responsivity * (d.light + d.oscillator) + 4.0 * diodes.dark_current;
  return kElementaryCharge * current * symbol_rate / d.current_squared();
}

double thermal_ratio(const LinkSetup& setup, const Detection& d, double symbol_rate) {
  return std::pow(setup.frontend.photodiodes.thermal_noise, 2) * symbol_rate / d.current_squared();
}

/// Power of what clips at `loading` (rms over full scale) of a Gaussian lane, relative to the lane.
double clipped_share(double loading) {
  const double c = 1.0 / loading;
  const double tail = 0.5 * std::erfc(c / std::sqrt(2.0));
  return 2.0 * ((1.0 + c * c) * tail - c * std::exp(-0.5 * c * c) / std::sqrt(kTwoPi));
}

/// A converter's noise relative to the signal in the matched filter's band, at `loading` (rms over full
/// scale) of its lanes; `signal_share` of a lane's power is signal.
double converter_ratio(const QuantiserParameters& quantiser, double loading, double sample_rate,
                       double symbol_rate, double signal_share) {
  const double effective = quantiser.enob.value_or(static_cast<double>(quantiser.bits));
  // Full scale A: variance A^2/3 4^-enob, the ideal converter's step^2/12 included.
  const double rounding = std::pow(4.0, -effective) / 3.0 / (loading * loading);
  return (rounding + clipped_share(loading)) * symbol_rate / sample_rate / signal_share;
}

double adc_ratio(const LinkSetup& setup, const LightLevels& arriving, double symbol_rate) {
  // Noise of the link outside the ADC's band does not load it.
  const double noise = std::min(arriving.noise_power, 2.0 * arriving.noise_psd * setup.adc.sample_rate) /
                       arriving.signal_power;
  return converter_ratio(setup.adc.quantiser, setup.adc.loading, setup.adc.sample_rate, symbol_rate,
                         1.0 / (1.0 + noise));
}

double jitter_ratio(const LinkSetup& setup, double symbol_rate) {
  // (2 pi sigma)^2 times the mean square frequency of a flat band of one symbol rate, spread over the ADC's
  // band, of which the matched filter keeps its part.
  return std::pow(kTwoPi * setup.adc.jitter * symbol_rate, 2) / 12.0 * symbol_rate / setup.adc.sample_rate;
}

/// Intensity noise of a laser on the symbols: half of it is in the amplitude, and the matched filter of a
/// flat band keeps what the product of signal and noise leaves in it. RIN Rs/8 when it is wider than the
/// band, RIN B/4 when it is far narrower.
double intensity_ratio(const LaserParameters& laser, double symbol_rate) {
  if (!laser.rin) return 0.0;
  const double part = std::min(1.0, laser.rin_bandwidth.value_or(symbol_rate) / symbol_rate);
  return *laser.rin * symbol_rate / 8.0 * part * (2.0 - part);
}

/// Intensity noise of the oscillator that unequal photodiodes let through, mean of X and Y (docs/theory.md,
/// photodiodes).
double oscillator_leak_ratio(const LinkSetup& setup, const Detection& d, double symbol_rate) {
  const LaserParameters& laser = setup.oscillator.laser;
  if (!laser.rin) return 0.0;
  const double part = std::min(1.0, 2.0 * laser.rin_bandwidth.value_or(symbol_rate) / symbol_rate);
  double ratio = 0.0;
  for (const std::size_t pol : {std::size_t{0}, std::size_t{1}})
    ratio += 0.5 * std::pow(setup.frontend.photodiodes_of(pol).mismatch, 2);
  return 0.25 * ratio * *laser.rin * symbol_rate * part * d.oscillator / d.signal;
}

/// In a band [Hz]: one symbol rate behind the matched filter.
double preamplifier_ratio(const LinkSetup& setup, const LightLevels& arriving, double band) {
  const auto& pre = setup.receiver_input.preamplifier;
  if (!pre) return 0.0;
  const double psd =
      amplifier_noise_psd(pre->output_power / setup.receiver_input.received(arriving.total_power),
                          pre->noise_factor, setup.receiver_input.carrier);
  return 2.0 * psd * band * arriving.total_power / arriving.signal_power / pre->output_power;
}

}  // namespace

std::optional<double> osnr_at_hybrid(const LinkSetup& setup, const LightLevels& arriving) {
  const double noise = 1.0 / arriving.osnr().value_or(std::numeric_limits<double>::infinity()) +
                       preamplifier_ratio(setup, arriving, kOsnrBandwidthHz);
  return noise > 0.0 ? std::optional(1.0 / noise) : std::nullopt;
}

std::vector<NoiseTerm> receiver_terms(const LinkSetup& setup, const LightLevels& arriving, double rate) {
  const Detection d = detection_of(setup, arriving);
  return {
      {"preamplifier_ase", "pre-amplifier ASE", preamplifier_ratio(setup, arriving, rate),
       "(F G - 1)/2 h nu per polarisation"},
      {"shot", "shot noise", shot_ratio(setup, d, rate), "q I of all diodes over R^2 Ps P_LO"},
      {"thermal", "thermal noise", thermal_ratio(setup, d, rate), "i_n^2 over R^2 Ps P_LO"},
      {"quantisation", "ADC quantisation and clipping", adc_ratio(setup, arriving, rate),
       "A^2/3 4^-ENOB, Gaussian lanes"},
      {"laser_rin", "RIN of the transmit laser", intensity_ratio(setup.transmitter.laser, rate), "RIN Rs/8"},
      {"oscillator_rin", "RIN of the oscillator", intensity_ratio(setup.oscillator.laser, rate), "RIN Rs/8"},
      {"oscillator_leak", "RIN of the oscillator, unbalanced", oscillator_leak_ratio(setup, d, rate),
       "m^2 RIN Rs P_LO / (4 Ps)"},
      {"jitter", "ADC jitter", jitter_ratio(setup, rate), "(2 pi sigma Rs)^2 / 12 Rs / fs"},
  };
}

/// Power of the neighbours behind the matched filter H of the channel, over that of the channel: independent
/// data, so powers add. A symbol comes out with P E/Rs, E = integral of |H|^2, a neighbour with
/// Pn integral of |Hn(f - d)|^2 |H(f)|^2 over En.
double crosstalk_ratio(const LinkSetup& setup) {
  const PulseShape& own = setup.transmitter.pulse;
  const auto density = [](const PulseShape& shape, double f) {
    return std::pow(pulse_spectrum(shape, f), 2);
  };
  // Trapezoids over a band; the ends are zero or as good as.
  const auto integral = [](double edge, const auto& of) {
    constexpr int kSteps = 4000;
    const double step = 2.0 * edge / kSteps;
    double sum = 0.0;
    for (int i = 0; i <= kSteps; ++i) sum += of(-edge + step * i);
    return sum * step;
  };
  const double edge = pulse_band_edge(own);
  const double energy = integral(edge, [&](double f) { return density(own, f); });
  double ratio = 0.0;
  const Channel& tested = setup.line.comb.tested();
  for (const Channel& channel : setup.line.comb.channels) {
    if (channel.number == tested.number) continue;
    const PulseShape& theirs = channel.pulse;
    const double away = channel.offset - tested.offset;
    const double overlap =
        integral(edge, [&](double f) { return density(own, f) * density(theirs, f - away); });
    const double their_energy =
        integral(pulse_band_edge(theirs), [&](double f) { return density(theirs, f); });
    ratio += channel.power / tested.power * overlap / their_energy;
  }
  return ratio * own.symbol_rate / energy;
}

}  // namespace cohlink
