#include "sim/link_setup.h"

#include <algorithm>
#include <cmath>

#include "sim/link_setup_hardware.h"
#include "sim/signal/line/nominal_path.h"
#include "sim/signal/pilots.h"
#include "sim/signal/scenario/strings.h"
#include "sim/signal/units.h"

namespace cohlink {
namespace {

Modulation modulation_named(const std::string& name) {
  for (const Modulation m : {Modulation::kQpsk, Modulation::kQam16, Modulation::kGaussian})
    if (modulation_name(m) == name) return m;
  throw std::logic_error("modulation without a meaning: " + name);
}

TransmitterParameters transmitter_setup(const Scenario& s) {
  TransmitterParameters p = transmitter_hardware(s);
  p.modulation = modulation_named(s.text("signal.modulation"));
  p.differential = s.boolean("signal.differential");
  check_pilots(s);
  p.pilot_spacing = static_cast<std::size_t>(s.integer("signal.pilot_spacing"));
  p.pulse.pulse = chosen<Pulse>(s, "signal.pulse", {{"rrc", Pulse::kRrc}, {"nrz", Pulse::kNrz}});
  p.pulse.roll_off = s.number("signal.roll_off");
  p.pulse.symbol_rate = s.number("signal.symbol_rate_gbd") * 1e9;
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
    p.file_symbols = read_pattern_file(s.text("signal.pattern_file"), p.symbols);
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

// A list with one value a channel, in grid order; empty when not given.
void require_one_a_channel(const Scenario& s, const char* key, std::size_t values) {
  const auto count = static_cast<std::size_t>(s.integer("channel.count"));
  if (values != 0 && values != count)
    s.reject(key, "lists " + std::to_string(values) + " values for channel.count = " + std::to_string(count));
}

WavelengthComb comb_setup(const Scenario& s, const TransmitterParameters& transmitter) {
  const auto powers = s.numbers("channel.power_offsets_db");
  const auto modulations = s.list("channel.modulations");
  const auto roll_offs = s.numbers("channel.roll_offs");
  require_one_a_channel(s, "channel.power_offsets_db", powers.size());
  require_one_a_channel(s, "channel.modulations", modulations.size());
  require_one_a_channel(s, "channel.roll_offs", roll_offs.size());
  const auto count = static_cast<std::size_t>(s.integer("channel.count"));
  const auto under_test = static_cast<std::size_t>(channel_under_test(s));
  const double spacing = s.number("channel.spacing_ghz") * 1e9;
  WavelengthComb comb;
  for (std::size_t k = 0; k < count; ++k) {
    NeighbourChannel channel;
    channel.number = static_cast<int>(k) + 1;
    channel.offset = (static_cast<double>(k) - 0.5 * static_cast<double>(count - 1)) * spacing;
    channel.power_ratio = powers.empty() ? 1.0 : from_db(powers[k]);
    channel.modulation = modulations.empty() ? transmitter.modulation : modulation_named(modulations[k]);
    channel.roll_off = roll_offs.empty() ? transmitter.pulse.roll_off : roll_offs[k];
    if (k != under_test) {
      comb.neighbours.push_back(channel);
      continue;
    }
    comb.offset = channel.offset;
    comb.power_ratio = channel.power_ratio;
    if (channel.modulation != transmitter.modulation)
      s.reject("channel.modulations",
               "gives the channel under test another modulation than signal.modulation");
    if (channel.roll_off != transmitter.pulse.roll_off)
      s.reject("channel.roll_offs", "gives the channel under test another roll-off than signal.roll_off");
  }
  return comb;
}

LineSection section_setup(const Scenario& s, const NominalSpan& span) {
  LineSection section;
  section.span.length = span.length_km * 1e3;
  section.span.loss = db_per_km_to_per_m(span.attenuation_db_per_km);
  section.span.beta2 = dispersion_to_beta2(span.dispersion_ps_per_nm_km);
  section.span.beta3 = slope_to_beta3(span.slope_ps_per_nm2_km, span.dispersion_ps_per_nm_km);
  section.span.gamma = span.nonlinear_coefficient_per_w_km * 1e-3;
  section.span.pmd_coefficient = s.number("fibre.pmd_ps_per_sqrt_km") * 1e-12 / std::sqrt(1e3);
  section.lumped_loss_db = span.lumped_loss_db;
  if (const double module = s.number("fibre.compensation_ps_per_nm"); module != 0.0) {
    section.module = DispersionModule{accumulated_to_beta2_length(module), 0.0};
    section.module_loss_db = s.number("fibre.compensation_loss_db");
  } else if (s.number("fibre.compensation_loss_db") != 0.0) {
    s.reject("fibre.compensation_loss_db", "is used only with fibre.compensation_ps_per_nm");
  }
  section.amplifier.noise_figure_db = s.number("amplifier.noise_figure_db");
  section.amplifier.ase = s.boolean("amplifier.ase");
  section.pdl_db = s.number("amplifier.pdl_db");
  if (const auto output = s.optional_number("amplifier.output_power_dbm")) {
    section.amplifier.mode = GainMode::kFixedOutput;
    section.amplifier.output_power = dbm_to_watt(*output);
  }
  return section;
}

std::optional<OpticalFilter> filter_setup(const Scenario& s, const std::string& section, double centre) {
  const auto bandwidth = s.optional_number(section + ".filter_bandwidth_ghz");
  if (!bandwidth) return std::nullopt;
  return OpticalFilter{centre, *bandwidth * 1e9, s.number(section + ".filter_edge_ghz") * 1e9};
}

// An add-drop site filters each channel; here the one under test is what passes through it.
LineParameters line_setup(const Scenario& s, const LinkSetup& setup) {
  LineParameters line;
  const auto filter = filter_setup(s, "fibre", tuned_frequency(setup));
  const auto every = static_cast<std::size_t>(s.integer("fibre.filter_every_spans"));
  for (const NominalSpan& span : nominal_spans(s)) {
    line.sections.push_back(section_setup(s, span));
    if (filter && line.sections.size() % every == 0) line.sections.back().filters.push_back(*filter);
  }
  line.steps = step_setup(s);
  line.bandwidth = 2.0 * setup.comb.edge(setup.transmitter.pulse);
  line.launch_power = setup.transmitter.launch_power * setup.comb.total_power_ratio();
  return line;
}

ChannelParameters channel_setup(const Scenario& s, double tuned) {
  ChannelParameters p;
  p.extra_beta2_length = accumulated_to_beta2_length(s.number("channel.extra_dispersion_ps_per_nm"));
  p.dgd = s.number("channel.dgd_ps") * 1e-12;
  p.pdl_db = s.number("channel.pdl_db");
  p.rotation = radians(s.number("channel.polarisation_rotation_deg"));
  p.retardance = radians(s.number("channel.polarisation_retardance_deg"));
  p.rotation_rate = s.number("channel.polarisation_rotation_krad_per_s") * 1e3;
  if (const auto osnr = s.optional_number("channel.osnr_db")) p.osnr = from_db(*osnr);
  p.filter = filter_setup(s, "channel", tuned);
  return p;
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
double samples_needed(const Scenario& s, const LinkSetup& setup) {
  const PulseShape& pulse = setup.transmitter.pulse;
  const double comb_edge = setup.comb.edge(pulse);
  double rate =
      2.0 * std::max(comb_edge, pulse_band_edge(pulse) + std::abs(setup.oscillator.frequency_offset));
  const auto spans = nominal_spans(s);
  const bool kerr = std::any_of(spans.begin(), spans.end(),
                                [](const auto& span) { return span.nonlinear_coefficient_per_w_km > 0.0; });
  if (kerr && !setup.comb.neighbours.empty())
    rate = std::max(
        rate, kerr_alias_free_rate(2.0 * comb_edge, std::abs(setup.comb.offset) + pulse_band_edge(pulse)));
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
  throw InputError("channel.count: the comb needs " + std::to_string(static_cast<int>(needed)) +
                   " samples a symbol, more than 256; fewer channels or a narrower grid need less");
}

std::size_t samples_setup(const Scenario& s, const LinkSetup& setup) {
  const double needed = samples_needed(s, setup);
  if (!s.is_set("run.samples_per_symbol"))
    return choose_samples(std::max(needed, static_cast<double>(setup.samples_for_hardware)),
                          !nominal_spans(s).empty());
  const auto samples = static_cast<std::size_t>(s.integer("run.samples_per_symbol"));
  if (static_cast<double>(samples) >= needed) return samples;
  s.reject("run.samples_per_symbol",
           std::string("is too few for ") +
               (setup.comb.neighbours.empty() ? "this roll-off and frequency offset"
                                              : "this comb of channels without aliasing") +
               "; at least " + std::to_string(static_cast<int>(needed)) + " are needed");
}

}  // namespace

std::optional<std::string> sampling_caution(const LinkSetup& setup) {
  const std::size_t given = setup.transmitter.samples_per_symbol;
  if (given >= setup.samples_for_hardware) return std::nullopt;
  return "run.samples_per_symbol = " + std::to_string(given) +
         " does not hold the converter's images or the harmonics of driver, modulator or saturated "
         "amplifier; " +
         std::to_string(setup.samples_for_hardware) + " do (left out, the key chooses itself)";
}

double tuned_frequency(const LinkSetup& setup) {
  return comb_frequency(setup.comb.offset,
                        setup.transmitter.pulse.symbol_rate / static_cast<double>(setup.transmitter.symbols));
}

LinkSetup link_setup(const Scenario& s) {
  LinkSetup setup;
  setup.seed = static_cast<std::uint64_t>(s.integer("run.seed"));
  setup.single_precision = s.text("run.precision") == "single";
  setup.redraw_birefringence = s.text("fibre.birefringence") == "redrawn";
  setup.transmitter = transmitter_setup(s);
  setup.comb = comb_setup(s, setup.transmitter);
  setup.line = line_setup(s, setup);
  setup.channel = channel_setup(s, tuned_frequency(setup));
  receiver_hardware(s, setup);
  setup.samples_for_hardware = samples_for_hardware(setup);
  setup.transmitter.samples_per_symbol = samples_setup(s, setup);
  check_dac(s, setup.transmitter);
  return setup;
}

}  // namespace cohlink
