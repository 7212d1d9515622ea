#include "sim/link_setup.h"

#include <algorithm>
#include <cmath>
#include <cstdio>

#include "sim/link_setup_hardware.h"
#include "sim/optical_path.h"
#include "sim/signal/frame_layout.h"
#include "sim/signal/line/read_line.h"
#include "sim/signal/read_modulation.h"
#include "sim/signal/scenario/strings.h"
#include "sim/signal/units.h"

namespace cohlink {
namespace {

TransmitterParameters transmitter_setup(const Scenario& s, const Channel& channel) {
  TransmitterParameters p = transmitter_hardware(s);
  p.modulation = channel.modulation;
  p.pulse = channel.pulse;
  p.launch_power = channel.power;
  p.differential = s.boolean("signal.differential");
  check_shaped_data(s);
  p.layout = frame_layout(s);
  p.symbols = static_cast<std::size_t>(s.integer("signal.symbols"));
  p.pattern = chosen<Pattern>(s, "signal.pattern",
                              {{"random", Pattern::kRandom},
                               {"prbs15", Pattern::kPrbs15},
                               {"prbs23", Pattern::kPrbs23},
                               {"prbs31", Pattern::kPrbs31},
                               {"file", Pattern::kFile}});
  if (p.differential && p.modulation == Modulation::kGaussian) {
    s.reject("signal.differential", "needs bits; signal.modulation = gaussian carries none");
  }
  if (p.modulation == Modulation::kGaussian && p.pattern != Pattern::kRandom && p.pattern != Pattern::kFile) {
    s.reject("signal.pattern", "makes bits; signal.modulation = gaussian carries none");
  }
  if (p.pattern == Pattern::kFile) {
    if (!s.is_set("signal.pattern_file")) s.reject("signal.pattern", "needs signal.pattern_file");
    p.file_symbols = read_pattern_file(s.text("signal.pattern_file"), p.symbols, p.modulation);
  } else if (s.is_set("signal.pattern_file")) {
    s.reject("signal.pattern_file", "is used only with signal.pattern = file");
  }
  return p;
}

StepControl step_setup(const Scenario& s) {
  StepControl steps;
  steps.law = chosen<StepLaw>(s, "fibre.step_law",
                              {{"constant", StepLaw::kConstant},
                               {"loss-matched", StepLaw::kLossMatched},
                               {"nonlinear-phase", StepLaw::kNonlinearPhase},
                               {"local-error", StepLaw::kLocalError}});
  steps.steps_per_span = static_cast<int>(s.integer("fibre.steps_per_span"));
  steps.max_phase = s.number("fibre.max_phase_rad");
  steps.tolerance = s.number("fibre.local_error");
  return steps;
}

// Whatever is sent must be the same on both sides of the transmitter's converter.
void check_dac(const Scenario& s, const TransmitterParameters& p) {
  if (p.dac.sample_rate && *p.dac.sample_rate < 2.0 * pulse_band_edge(p.pulse))
    s.reject("transmitter.dac_sample_rate_gsa", "is below the bandwidth of the pulse, " +
                                                    std::to_string(2e-9 * pulse_band_edge(p.pulse)) + " GHz");
}

// Samples a symbol that the simulated band needs: to hold every channel, to hold the one under test where the
// front end sees it, beat frequency included, and to keep first-order Kerr products of several channels off
// it (of one channel alone two samples are enough within 0.03 dB).
double samples_needed(const LinkSetup& setup) {
  const PulseShape& pulse = setup.transmitter.pulse;
  const Comb& comb = setup.line.comb;
  const double comb_edge = comb.edge();
  double rate =
      2.0 * std::max(comb_edge, pulse_band_edge(pulse) + std::abs(setup.oscillator.frequency_offset));
  const auto& sections = setup.line.sections;
  const bool kerr = std::any_of(sections.begin(), sections.end(),
                                [](const LineSection& section) { return section.span.gamma > 0.0; });
  if (kerr && comb.channels.size() > 1)
    rate = std::max(
        rate, kerr_alias_free_rate(2.0 * comb_edge, std::abs(comb.tested().offset) + pulse_band_edge(pulse)));
  return std::ceil(rate / pulse.symbol_rate - 1e-9);
}

// Samples a symbol that hold what hardware makes of a pulse with the one-sided band e, so that it is seen
// where it lies and not folded onto the signal, or lost:
//  - a converter of rate fs repeats its band around fs; its hold leaves most of the first image, which
//    reaches up to fs + e;
//  - a modulator's sine makes products of third order, up to 3 e. They fold about the simulated rate r to
//    r - 3 e and stay off the signal if r > 4 e;
//  - the knee of a driver or receiver amplifier, x (1 - x^4/4 ...), makes products of fifth order: r > 6 e.
// Weaker ones, of higher order or from images in a nonlinear element, may fold. A converter so fast that its
// images lie beyond 256 samples a symbol leaves none to speak of: its hold has them below -45 dB.
std::size_t samples_for_hardware(const LinkSetup& setup) {
  const TransmitterParameters& p = setup.transmitter;
  const double edge = pulse_band_edge(p.pulse);
  double rate = 0.0;
  if (p.dac.sample_rate) rate = 2.0 * (*p.dac.sample_rate + edge);
  if (p.modulator.kind == ModulatorKind::kIq) rate = std::max(rate, 4.0 * edge);
  if (p.driver.saturation || setup.electronics.saturation) rate = std::max(rate, 6.0 * edge);
  return static_cast<std::size_t>(std::min(256.0, std::ceil(rate / p.pulse.symbol_rate - 1e-9)));
}

// The fewest that are enough, of numbers that transform fast; with Kerr effect at least 4, which aliases
// nothing.
std::size_t choose_samples(double needed, bool fibre) {
  for (const std::size_t samples :
       {2, 4, 6, 8, 10, 12, 16, 20, 24, 32, 40, 48, 64, 80, 96, 128, 160, 192, 256})
    if (static_cast<double>(samples) >= (fibre ? std::max(needed, 4.0) : needed)) return samples;
  throw InputError(Origin(), "channel.count",
                   "the comb needs " + std::to_string(static_cast<int>(needed)) +
                       " samples a symbol, more than 256; fewer channels or a narrower grid need less");
}

std::size_t samples_setup(const Scenario& s, const LinkSetup& setup) {
  const double needed = samples_needed(setup);
  if (!s.is_set("run.samples_per_symbol"))
    return choose_samples(std::max(needed, static_cast<double>(setup.samples_for_hardware)),
                          !setup.line.sections.empty());
  const auto samples = static_cast<std::size_t>(s.integer("run.samples_per_symbol"));
  if (static_cast<double>(samples) >= needed) return samples;
  s.reject("run.samples_per_symbol",
           std::string("is too few for ") +
               (setup.line.comb.channels.size() == 1 ? "this roll-off and frequency offset"
                                                     : "this comb of channels without aliasing") +
               "; at least " + std::to_string(static_cast<int>(needed)) + " are needed");
}

// An attenuator takes away and adds nothing. Light levels are closed forms within 0.01 dB; polarisation
// effects that are drawn may move them, so that a tenth of a decibel passes.
void check_received_power(const Scenario& s, const LinkSetup& setup) {
  const auto& asked = setup.receiver_input.received_power;
  if (!asked) return;
  const double arriving = arriving_light(setup).total_power;
  if (*asked <= arriving * from_db(0.1)) return;
  char text[32];
  std::snprintf(text, sizeof text, "%.2f", watt_to_dbm(arriving));
  s.reject("frontend.received_power_dbm",
           std::string("is more than the link delivers: ") + text +
               " dBm arrive, all channels and noise; absent, the key follows what arrives");
}

void input_range_setup(const Scenario& s, LinkSetup& setup) {
  if (const auto dbm = s.optional_number("frontend.least_input_dbm")) setup.least_input = dbm_to_watt(*dbm);
  if (const auto dbm = s.optional_number("frontend.most_input_dbm")) setup.most_input = dbm_to_watt(*dbm);
  if (setup.least_input && setup.most_input && *setup.least_input > *setup.most_input)
    s.reject("frontend.least_input_dbm", "is above frontend.most_input_dbm");
}

}  // namespace

std::optional<std::string> input_range_caution(const LinkSetup& setup) {
  if (!setup.least_input && !setup.most_input) return std::nullopt;
  const double power = setup.receiver_input.received(arriving_light(setup).total_power);
  const bool overload = power > setup.most_input.value_or(power);
  if (!overload && !(power < setup.least_input.value_or(power))) return std::nullopt;
  char text[96];
  std::snprintf(text, sizeof text, "%.2f dBm into the receiver are %s %.2f dBm that it is made for",
                watt_to_dbm(power), overload ? "more than the" : "less than the",
                watt_to_dbm(overload ? *setup.most_input : *setup.least_input));
  return text;
}

std::optional<std::string> sampling_caution(const LinkSetup& setup) {
  const std::size_t given = setup.transmitter.samples_per_symbol;
  if (given >= setup.samples_for_hardware) return std::nullopt;
  return "run.samples_per_symbol = " + std::to_string(given) +
         " does not hold the converter's images or the harmonics of driver, modulator or saturated "
         "amplifier; " +
         std::to_string(setup.samples_for_hardware) + " do (left out, the key chooses itself)";
}

LinkSetup link_setup(const Scenario& s) {
  LinkSetup setup;
  setup.seed = static_cast<std::uint64_t>(s.integer("run.seed"));
  setup.single_precision = s.text("run.precision") == "single";
  setup.redraw_birefringence = s.text("fibre.birefringence") == "redrawn";
  setup.line = read_line(s);
  setup.steps = step_setup(s);
  setup.transmitter = transmitter_setup(s, setup.line.comb.tested());
  receiver_hardware(s, setup);
  setup.transmitter.carrier = setup.receiver_input.carrier = setup.line.carrier();
  setup.samples_for_hardware = samples_for_hardware(setup);
  setup.transmitter.samples_per_symbol = samples_setup(s, setup);
  check_dac(s, setup.transmitter);
  input_range_setup(s, setup);
  check_received_power(s, setup);
  return setup;
}

}  // namespace cohlink
