#include "tools/study/budget.h"

#include <algorithm>
#include <cmath>
#include <limits>

#include "rx/quality/metrics.h"
#include "sim/link_setup.h"
#include "sim/optical_amplifier.h"
#include "sim/optical_path.h"
#include "sim/signal/pulse.h"
#include "sim/signal/units.h"
#include "tools/study/launch_noise.h"
#include "tools/study/not_counted.h"
#include "tools/study/plan/fec.h"
#include "tools/study/plan/numbers.h"
#include "tools/study/plan/theory.h"

namespace cohlink {
namespace {

/// The same path with steps as long as a span: its light levels are all that is wanted.
LinkSetup coarse(LinkSetup setup) {
  setup.steps.law = StepLaw::kConstant;
  setup.steps.steps_per_span = 1;
  setup.steps.cap_factor = std::numeric_limits<double>::infinity();
  for (auto& section : setup.line.sections) section.span.pmd_coefficient = 0.0;
  return setup;
}

/// `launch_psd`: noise launched with the signal [W/Hz per polarisation].
LightLevels levels_of(const LinkSetup& setup, double launch_psd) {
  return light_levels(plan_optical_path(setup, RandomStreams(setup.seed)), launched_light(setup, launch_psd));
}

/// The line's first `count` sections, nothing behind them.
LightLevels levels_after(const LinkSetup& setup, std::size_t count, double launch_psd) {
  LinkSetup part = setup;
  part.line.sections.resize(count);
  part.line.optics = {};
  return levels_of(part, launch_psd);
}

double fibre_loss(const LineSection& section) {
  return 1.0 / (section.span.total_loss() * section.lumped_loss);
}

/// The channels as the one under test sees them.
GnLight gn_light(const LinkSetup& setup) {
  const Comb& comb = setup.line.comb;
  const Channel& own = comb.tested();
  GnLight light = {{0.0, 1.0, own.pulse, format_moments(own.modulation)}};
  for (std::size_t k = 0; k < comb.channels.size(); ++k) {
    if (k == comb.under_test) continue;
    const Channel& n = comb.channels[k];
    light.push_back({n.offset - own.offset, n.power / own.power, n.pulse, format_moments(n.modulation)});
  }
  return light;
}

GnLine gn_line(const LinkSetup& setup, const std::vector<SpanLevel>& levels) {
  GnLine line;
  for (std::size_t k = 0; k < setup.line.sections.size(); ++k) {
    const LineSection& section = setup.line.sections[k];
    GnSection span;
    span.length = section.span.length;
    span.loss = section.span.loss;
    span.beta2 = section.span.beta2;
    span.gamma = section.span.gamma;
    span.module_beta2_length = section.module ? section.module->beta2_length : 0.0;
    span.relative_power = levels[k].input_power / levels[0].input_power;
    line.push_back(span);
  }
  return line;
}

std::vector<SpanLevel> walk_spans(const LinkSetup& setup, double launch_psd) {
  std::vector<SpanLevel> spans;
  double power = setup.line.comb.tested().power;
  for (std::size_t k = 0; k < setup.line.sections.size(); ++k) {
    const LightLevels after = levels_after(setup, k + 1, launch_psd);
    SpanLevel level;
    level.span = k + 1;
    level.input_power = power;
    level.output_power = power * fibre_loss(setup.line.sections[k]);
    level.osnr = after.osnr();
    power = after.signal_power;
    spans.push_back(level);
  }
  return spans;
}

// --- The best launch power. ---

double ase_ratio(const LightLevels& levels, double symbol_rate) {
  return 2.0 * levels.noise_psd * symbol_rate / levels.signal_power;
}

/// Amplifiers of fixed output that bring the channel under test back to `power`, which is launched, too.
LinkSetup at_one_power(LinkSetup setup, double power) {
  Comb& comb = setup.line.comb;
  const double factor = power / comb.tested().power;
  for (Channel& channel : comb.channels) channel.power *= factor;
  setup.transmitter.launch_power = power;
  for (LineSection& section : setup.line.sections) section.amplifier.output_power = comb.power();
  return setup;
}

LinkSetup without_noise(LinkSetup setup) {
  for (LineSection& section : setup.line.sections) section.amplifier.ase = false;
  return setup;
}

/// Where an amplifier makes up for the loss before it, all spans follow the launch power: ASE over signal
/// goes with 1/P, interference over signal with P^2, and their sum is least where ASE is twice the
/// interference. Amplifiers of fixed output follow only if their output is moved as well, which is what is
/// done; their gain then hangs a little on the share that noise takes, so the power is found in steps.
void find_optimum(Budget& budget, const LinkSetup& setup, InterferenceModel& model, double line_ratio) {
  double eta = budget.interference.expected();
  if (!(line_ratio > 0.0 && eta > 0.0)) return;
  double power = std::cbrt(line_ratio * budget.launch_power / (2.0 * eta));
  if (setup.line.sections.front().amplifier.mode == GainMode::kFixedOutput) {
    const auto ratio_at = [&](const LinkSetup& even) {
      return ase_ratio(levels_after(even, even.line.sections.size(), 0.0), budget.symbol_rate);
    };
    const LinkSetup even = without_noise(at_one_power(setup, power));
    eta = model(gn_line(even, walk_spans(even, 0.0))).expected();
    for (int i = 0; i < 4; ++i) power = std::cbrt(ratio_at(at_one_power(setup, power)) * power / (2.0 * eta));
    budget.optimum_output_power = at_one_power(setup, power).line.sections.front().amplifier.output_power;
  }
  budget.optimum_launch_power = power;
}

// --- The receiver. ---

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

/// A converter's noise relative to the signal in the matched filter's band; `signal_share` of a lane's power
/// is signal.
double converter_ratio(const QuantiserParameters& quantiser, double loading_db, double sample_rate,
                       double symbol_rate, double signal_share) {
  const double loading = std::pow(10.0, loading_db / 20.0);
  const double effective = quantiser.enob.value_or(static_cast<double>(quantiser.bits));
  // Full scale A: variance A^2/3 4^-enob, the ideal converter's step^2/12 included.
  const double rounding = std::pow(4.0, -effective) / 3.0 / (loading * loading);
  return (rounding + clipped_share(loading)) * symbol_rate / sample_rate / signal_share;
}

double adc_ratio(const LinkSetup& setup, const LightLevels& arriving, double symbol_rate) {
  // Noise of the link outside the ADC's band does not load it.
  const double noise = std::min(arriving.noise_power, 2.0 * arriving.noise_psd * setup.adc.sample_rate) /
                       arriving.signal_power;
  return converter_ratio(setup.adc.quantiser, setup.adc.loading_db, setup.adc.sample_rate, symbol_rate,
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
  const double psd = amplifier_noise_psd(
      pre->output_power / setup.receiver_input.received(arriving.total_power), pre->noise_factor);
  return 2.0 * psd * band * arriving.total_power / arriving.signal_power / pre->output_power;
}

/// OSNR of what reaches the hybrid, the pre-amplifier's noise in it; absent without noise.
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

std::vector<std::string> left_out(const Scenario& scenario) {
  std::vector<std::string> names = keys_not_counted(scenario);
  names.emplace_back("what the receiver's own estimates cost");
  return names;
}

void judge(Budget& budget, const Scenario& scenario) {
  const bool differential = scenario.boolean("signal.differential");
  budget.threshold_ber = fec_threshold(scenario);
  if (bits_per_symbol(budget.modulation) == 0) return;
  budget.ber = std::isinf(budget.snr) ? 0.0
               : differential         ? theory_ber_differential(budget.modulation, budget.snr)
                                      : theory_ber(budget.modulation, budget.snr);
  if (budget.threshold_ber)
    budget.margin_db =
        to_db(budget.snr / required_snr(budget.modulation, differential, *budget.threshold_ber));
}

/// Decibels, NaN (printed as nothing) where there are none.
double finite_db(double ratio) {
  const double db = to_db(ratio);
  return std::isfinite(db) ? db : std::numeric_limits<double>::quiet_NaN();
}

std::string db_text(double value, const std::string& unit) {
  return std::isfinite(value) ? readable(value) + unit : "-";
}

/// Powers that were written in dBm, without the last digits that the way through watts leaves: -3, not
/// -3.0000000000000004.
double written_dbm(double watt) {
  const double dbm = watt_to_dbm(watt);
  return parse_number(short_decimal(dbm)).value_or(dbm);
}

}  // namespace

double required_snr(Modulation modulation, bool differential, double ber) {
  if (bits_per_symbol(modulation) == 0) return std::numeric_limits<double>::quiet_NaN();
  if (!differential) return theory_snr(modulation, ber);
  double low = -30.0, high = 60.0;  // dB
  for (int i = 0; i < 80; ++i) {
    const double middle = 0.5 * (low + high);
    (theory_ber_differential(modulation, from_db(middle)) > ber ? low : high) = middle;
  }
  return from_db(0.5 * (low + high));
}

Budget make_budget(const Scenario& scenario) {
  const LinkSetup setup = coarse(link_setup(scenario));
  Budget budget;
  budget.modulation = setup.transmitter.modulation;
  budget.symbol_rate = setup.transmitter.pulse.symbol_rate;
  budget.launch_power = setup.line.comb.tested().power;
  const double launch_psd = launch_noise_psd(setup.transmitter);
  budget.spans = walk_spans(setup, launch_psd);
  const GnLine line = gn_line(setup, budget.spans);
  const double rate = budget.symbol_rate, power_squared = budget.launch_power * budget.launch_power;
  const double line_ratio = ase_ratio(levels_after(setup, setup.line.sections.size(), 0.0), rate);
  if (!line.empty()) {
    InterferenceModel model(gn_light(setup));
    const std::vector<Interference> all = model.after_each_span(line);
    for (std::size_t k = 0; k < all.size(); ++k)
      budget.spans[k].interference = power_squared * all[k].expected();
    budget.interference = all.back();
    budget.next_order = next_order_factor(line, budget.launch_power, all.back().expected());
    find_optimum(budget, setup, model, line_ratio);
  }

  const LightLevels end = levels_of(setup, launch_psd);
  const double launch_ratio =
      ase_ratio(levels_after(setup, setup.line.sections.size(), launch_psd), rate) - line_ratio;
  const double loaded = setup.line.optics.osnr ? rate / (*setup.line.optics.osnr * kOsnrBandwidthHz) : 0.0;
  budget.osnr = osnr_at_hybrid(setup, end);
  budget.peak_power = end.peak_power;
  budget.terms = {
      {"launch_ase", "ASE of the launch amplifier", launch_ratio, "(F G - 1)/2 h nu per polarisation"},
      {"line_ase", "ASE of the line", line_ratio, "(F G - 1)/2 h nu per polarisation and amplifier"},
      {"loaded_noise", "loaded noise", loaded, "channel.osnr_db"},
      {"interference", "nonlinear interference", power_squared * budget.interference.expected(),
       "GN integral, coherent, matched filter, EGN"},
      {"crosstalk", "crosstalk of neighbours", crosstalk_ratio(setup),
       "spectra that overlap, matched filter"},
  };
  for (auto& term : receiver_terms(setup, end, rate)) budget.terms.push_back(std::move(term));

  double sum = 0.0;
  for (const NoiseTerm& term : budget.terms) sum += term.ratio;
  budget.snr = 1.0 / sum;
  budget.snr_gn =
      1.0 / (sum + power_squared * (budget.interference.integral_matched - budget.interference.expected()));
  budget.not_counted = left_out(scenario);
  judge(budget, scenario);
  return budget;
}

Table span_table(const Budget& budget) {
  Table table;
  Column span{"span"}, into{"power_in_dbm", Look::kHundredths}, out{"power_out_dbm", Look::kHundredths},
      osnr{"osnr_db", Look::kHundredths}, nli{"snr_nli_db", Look::kHundredths};
  for (const SpanLevel& level : budget.spans) {
    span.cells.emplace_back(static_cast<std::uint64_t>(level.span));
    into.cells.emplace_back(written_dbm(level.input_power));
    out.cells.emplace_back(written_dbm(level.output_power));
    osnr.cells.emplace_back(finite_db(level.osnr.value_or(0.0)));
    nli.cells.emplace_back(finite_db(1.0 / level.interference));
  }
  for (auto* column : {&span, &into, &out, &osnr, &nli}) table.columns.push_back(std::move(*column));
  return table;
}

Table noise_table(const Budget& budget) {
  Table table;
  Column source{"source"}, snr{"snr_db", Look::kHundredths}, share{"share_percent", Look::kHundredths},
      formula{"computed_from"};
  for (const NoiseTerm& term : budget.terms) {
    if (!(term.ratio > 0.0)) continue;
    source.cells.emplace_back(term.label);
    snr.cells.emplace_back(-to_db(term.ratio));
    share.cells.emplace_back(100.0 * term.ratio * budget.snr);
    formula.cells.emplace_back(term.formula);
  }
  for (auto* column : {&source, &snr, &share, &formula}) table.columns.push_back(std::move(*column));
  return table;
}

std::vector<Fact> budget_facts(const Budget& budget) {
  std::vector<Fact> facts;
  const auto add = [&](const char* name, const char* label, double value, const std::string& unit = " dB",
                       const std::string& remark = "") {
    facts.push_back({name, label, value, db_text(value, unit) + remark});
  };
  const double squared = budget.launch_power * budget.launch_power;
  add("launch_power_dbm", "launch power", written_dbm(budget.launch_power), " dBm");
  if (budget.optimum_launch_power)
    add("optimum_launch_power_dbm", "optimum launch power", watt_to_dbm(*budget.optimum_launch_power), " dBm",
        budget.optimum_output_power ? "   (amplifier outputs moved with it: all spans at one power)"
                                    : "   (line ASE twice the interference)");
  if (budget.optimum_output_power)
    add("optimum_output_power_dbm", "optimum amplifier output", watt_to_dbm(*budget.optimum_output_power),
        " dBm", "   (of each, all channels)");
  add("osnr_db", "OSNR", finite_db(budget.osnr.value_or(0.0)), " dB in 12.5 GHz");
  for (const NoiseTerm& term : budget.terms)
    facts.push_back({"snr_" + term.name + "_db", "", finite_db(1.0 / term.ratio), ""});
  if (!budget.spans.empty()) {
    const Interference& nli = budget.interference;
    add("snr_nli_closed_incoherent_db", "NLI, GN closed form, incoherent",
        finite_db(1.0 / (squared * nli.closed_incoherent)), " dB", "   (band centre)");
    add("snr_nli_closed_coherent_db", "NLI, GN closed form, coherent",
        finite_db(1.0 / (squared * nli.closed_coherent)), " dB", "   (band centre, N^(1+eps))");
    add("snr_nli_integral_centre_db", "NLI, GN integral, coherent",
        finite_db(1.0 / (squared * nli.integral_centre)), " dB", "   (band centre)");
    add("snr_nli_integral_matched_db", "NLI, GN integral, coherent",
        finite_db(1.0 / (squared * nli.integral_matched)), " dB", "   (matched filter)");
    add("snr_nli_expected_db", "NLI, with EGN correction", finite_db(1.0 / (squared * nli.expected())), " dB",
        "   (" + std::string(modulation_name(budget.modulation)) + ": " +
            readable(to_db(nli.expected() / nli.integral_matched), 3) + " dB; used below)");
    const auto on_gn = [](double expected, double gaussian) {
      return "   (EGN, " + readable(to_db(expected / gaussian), 3) + " dB on GN)";
    };
    if (nli.neighbours() > 0.0) {
      add("snr_nli_self_db", "of it by the channel itself", finite_db(1.0 / (squared * nli.expected_self())),
          " dB", on_gn(nli.expected_self(), nli.self));
      add("snr_nli_neighbours_db", "of it by its neighbours",
          finite_db(1.0 / (squared * nli.expected_neighbours())), " dB",
          on_gn(nli.expected_neighbours(), nli.neighbours()));
    }
    add("nli_next_order_db", "its next order in power", to_db(budget.next_order), " dB",
        "   (more noise than this first order, about; not counted)");
    add("snr_gn_db", "SNR by plain GN", finite_db(budget.snr_gn));
  }
  add("snr_db", "expected SNR", finite_db(budget.snr));
  if (budget.ber) {
    facts.push_back({"ber", "expected BER", *budget.ber, readable(*budget.ber, 3)});
    add("q_db", "expected Q", q_from_ber_db(*budget.ber));
  }
  if (budget.margin_db)
    add("margin_db", "margin", *budget.margin_db, " dB",
        "   (SNR, to a threshold of " + readable(*budget.threshold_ber) + ")");
  std::string list;
  for (const auto& name : budget.not_counted) list += (list.empty() ? "" : ", ") + name;
  facts.push_back({"not_counted", "not counted", list, list});
  return facts;
}

}  // namespace cohlink
