#include "sim/link_setup.h"

#include <cmath>

#include "sim/link_setup_hardware.h"
#include "sim/signal/strings.h"
#include "sim/signal/units.h"

namespace cohlink {
namespace {

TransmitterParameters transmitter_setup(const Scenario& s) {
  TransmitterParameters p = transmitter_hardware(s);
  p.modulation = chosen<Modulation>(
      s, "signal.modulation",
      {{"qpsk", Modulation::kQpsk}, {"16qam", Modulation::kQam16}, {"gaussian", Modulation::kGaussian}});
  p.differential = s.boolean("signal.differential");
  p.pulse.pulse = chosen<Pulse>(s, "signal.pulse", {{"rrc", Pulse::kRrc}, {"nrz", Pulse::kNrz}});
  p.pulse.roll_off = s.number("signal.roll_off");
  p.pulse.symbol_rate = s.number("signal.symbol_rate_gbd") * 1e9;
  p.symbols = static_cast<std::size_t>(s.integer("signal.symbols"));
  p.samples_per_symbol = static_cast<std::size_t>(s.integer("run.samples_per_symbol"));
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

LineParameters line_setup(const Scenario& s, const TransmitterParameters& transmitter) {
  const double dispersion = s.number("fibre.dispersion_ps_per_nm_km");
  LineSection section;
  section.span.length = s.number("fibre.span_length_km") * 1e3;
  section.span.loss = db_per_km_to_per_m(s.number("fibre.attenuation_db_per_km"));
  section.span.beta2 = dispersion_to_beta2(dispersion);
  section.span.beta3 = slope_to_beta3(s.number("fibre.dispersion_slope_ps_per_nm2_km"), dispersion);
  section.span.gamma = s.number("fibre.nonlinear_coefficient_per_w_km") * 1e-3;
  section.span.pmd_coefficient = s.number("fibre.pmd_ps_per_sqrt_km") * 1e-12 / std::sqrt(1e3);
  section.amplifier.noise_figure_db = s.number("amplifier.noise_figure_db");
  section.amplifier.ase = s.boolean("amplifier.ase");
  LineParameters line;
  line.sections.assign(static_cast<std::size_t>(s.integer("fibre.spans")), section);
  line.steps = step_setup(s);
  line.bandwidth = 2.0 * pulse_band_edge(transmitter.pulse);
  line.launch_power = transmitter.launch_power;
  return line;
}

ChannelParameters channel_setup(const Scenario& s) {
  ChannelParameters p;
  p.extra_beta2_length = accumulated_to_beta2_length(s.number("channel.extra_dispersion_ps_per_nm"));
  p.dgd = s.number("channel.dgd_ps") * 1e-12;
  p.pdl_db = s.number("channel.pdl_db");
  p.rotation = radians(s.number("channel.polarisation_rotation_deg"));
  p.retardance = radians(s.number("channel.polarisation_retardance_deg"));
  p.rotation_rate = s.number("channel.polarisation_rotation_krad_per_s") * 1e3;
  if (const auto osnr = s.optional_number("channel.osnr_db")) p.osnr = from_db(*osnr);
  return p;
}

// Whatever is sent must be the same on both sides of the transmitter's converter.
void check_dac(const Scenario& s, const TransmitterParameters& p) {
  if (p.dac.sample_rate && *p.dac.sample_rate < 2.0 * pulse_band_edge(p.pulse))
    s.reject("transmitter.dac_sample_rate_gsa", "is below the bandwidth of the pulse, " +
                                                    std::to_string(2e-9 * pulse_band_edge(p.pulse)) + " GHz");
}

// The simulated band must hold the signal where the front end sees it, beat frequency included.
void check_sampling(const Scenario& s, const LinkSetup& setup) {
  const double half_band =
      0.5 * setup.transmitter.pulse.symbol_rate * static_cast<double>(setup.transmitter.samples_per_symbol);
  const double edge = pulse_band_edge(setup.transmitter.pulse) + std::abs(setup.oscillator.frequency_offset);
  if (edge <= half_band) return;
  const auto needed = static_cast<int>(std::ceil(2.0 * edge / setup.transmitter.pulse.symbol_rate));
  s.reject("run.samples_per_symbol", "is too few for this roll-off and frequency offset; at least " +
                                         std::to_string(needed) + " are needed");
}

}  // namespace

LinkSetup link_setup(const Scenario& s) {
  LinkSetup setup;
  setup.seed = static_cast<std::uint64_t>(s.integer("run.seed"));
  setup.single_precision = s.text("run.precision") == "single";
  setup.redraw_birefringence = s.text("fibre.birefringence") == "redrawn";
  setup.transmitter = transmitter_setup(s);
  setup.line = line_setup(s, setup.transmitter);
  setup.channel = channel_setup(s);
  receiver_hardware(s, setup);
  check_dac(s, setup.transmitter);
  check_sampling(s, setup);
  return setup;
}

}  // namespace cohlink
