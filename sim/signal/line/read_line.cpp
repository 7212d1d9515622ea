#include "sim/signal/line/read_line.h"

#include <cmath>
#include <stdexcept>
#include <string>

#include "sim/signal/line/fibre_types.h"

namespace cohlink {
namespace {

void require_count(const Scenario& s, const char* key, std::size_t given, std::size_t wanted,
                   const std::string& of) {
  if (given != 0 && given != wanted)
    s.reject(key, "lists " + std::to_string(given) + " values for " + std::to_string(wanted) + " " + of);
}

double degrees_to_rad(double degrees) { return degrees * kPi / 180.0; }

// --- Channels. ---

PulseShape read_pulse(const Scenario& s) {
  PulseShape pulse;
  pulse.pulse = s.text("signal.pulse") == "nrz" ? Pulse::kNrz : Pulse::kRrc;
  pulse.roll_off = s.number("signal.roll_off");
  pulse.symbol_rate = s.number("signal.symbol_rate_gbd") * 1e9;
  return pulse;
}

std::size_t channel_under_test(const Scenario& s, std::size_t count) {
  const auto named = static_cast<std::size_t>(s.integer("channel.under_test"));
  if (named > count) s.reject("channel.under_test", "is beyond channel.count = " + std::to_string(count));
  return named == 0 ? count / 2 : named - 1;
}

// What [signal] says of the channel under test must not be contradicted by the lists.
void check_channel_under_test(const Scenario& s, const Channel& tested) {
  if (modulation_name(tested.modulation) != s.text("signal.modulation"))
    s.reject("channel.modulations", "gives the channel under test another modulation than signal.modulation");
  if (tested.pulse.roll_off != s.number("signal.roll_off"))
    s.reject("channel.roll_offs", "gives the channel under test another roll-off than signal.roll_off");
}

Comb read_comb(const Scenario& s) {
  const auto count = static_cast<std::size_t>(s.integer("channel.count"));
  const auto powers = s.numbers("channel.power_offsets_db");
  const auto modulations = s.list("channel.modulations");
  const auto roll_offs = s.numbers("channel.roll_offs");
  const auto require_one_a_channel = [&](const char* key, std::size_t values) {
    if (values != 0 && values != count)
      s.reject(key,
               "lists " + std::to_string(values) + " values for channel.count = " + std::to_string(count));
  };
  require_one_a_channel("channel.power_offsets_db", powers.size());
  require_one_a_channel("channel.modulations", modulations.size());
  require_one_a_channel("channel.roll_offs", roll_offs.size());
  const PulseShape pulse = read_pulse(s);
  const double frame_rate = pulse.symbol_rate / static_cast<double>(s.integer("signal.symbols"));
  Comb comb;
  comb.spacing = s.number("channel.spacing_ghz") * 1e9;
  comb.under_test = channel_under_test(s, count);
  comb.channels.assign(count, Channel{});
  for (std::size_t k = 0; k < count; ++k) {
    Channel& channel = comb.channels[k];
    channel.number = static_cast<int>(k) + 1;
    channel.offset = (static_cast<double>(k) - 0.5 * static_cast<double>(count - 1)) * comb.spacing;
    channel.frequency = comb_frequency(channel.offset, frame_rate);
    // Decibels add before they become watts: the same light, however it is written, is the same number.
    channel.power =
        dbm_to_watt(s.number("transmitter.launch_power_dbm") + (powers.empty() ? 0.0 : powers[k]));
    channel.modulation = modulation_named(modulations.empty() ? s.text("signal.modulation") : modulations[k]);
    channel.pulse = pulse;
    if (!roll_offs.empty()) channel.pulse.roll_off = roll_offs[k];
  }
  check_channel_under_test(s, comb.tested());
  return comb;
}

// --- Spans. ---

Span span_of_type(const Scenario& s, const std::string& type_name) {
  const FibreType type = *find_fibre_type(type_name);
  const auto given = [&](const char* key, double of_type) {
    return s.optional_number(key).value_or(of_type);
  };
  const double dispersion = given("fibre.dispersion_ps_per_nm_km", type.dispersion_ps_per_nm_km);
  Span span;
  span.length = s.number("fibre.span_length_km") * 1e3;
  span.loss = db_per_km_to_per_m(given("fibre.attenuation_db_per_km", type.attenuation_db_per_km));
  span.beta2 = dispersion_to_beta2(dispersion);
  span.beta3 =
      slope_to_beta3(given("fibre.dispersion_slope_ps_per_nm2_km", type.slope_ps_per_nm2_km), dispersion);
  span.gamma = given("fibre.nonlinear_coefficient_per_w_km", type.nonlinear_coefficient_per_w_km) * 1e-3;
  span.pmd_coefficient = s.number("fibre.pmd_ps_per_sqrt_km") * 1e-12 / std::sqrt(1e3);
  return span;
}

Amplifier read_amplifier(const Scenario& s) {
  Amplifier amplifier;
  amplifier.noise_factor = from_db(s.number("amplifier.noise_figure_db"));
  amplifier.ase = s.boolean("amplifier.ase");
  if (const auto output = s.optional_number("amplifier.output_power_dbm")) {
    amplifier.mode = GainMode::kFixedOutput;
    amplifier.output_power = dbm_to_watt(*output);
  }
  return amplifier;
}

/// A section as all are where no list says otherwise.
LineSection usual_section(const Scenario& s) {
  LineSection section;
  section.span = span_of_type(s, s.text("fibre.type"));
  section.lumped_loss = from_db(s.number("fibre.lumped_loss_db"));
  if (const double module = s.number("fibre.compensation_ps_per_nm"); module != 0.0) {
    section.module = DispersionModule{accumulated_to_beta2_length(module), 0.0};
    section.module_loss = from_db(s.number("fibre.compensation_loss_db"));
  } else if (s.number("fibre.compensation_loss_db") != 0.0) {
    s.reject("fibre.compensation_loss_db", "is used only with fibre.compensation_ps_per_nm");
  }
  section.amplifier = read_amplifier(s);
  section.pdl = from_db(s.number("amplifier.pdl_db"));
  return section;
}

constexpr double kMostSpans = 1000;

/// The fewest equal spans of at most fibre.span_length_km that make `length_km`; a part in 1e9 more, left by
/// arithmetic on the way here, makes no span of its own.
std::vector<LineSection> equal_spans(const Scenario& s, double length_km, LineSection usual) {
  if (s.integer("fibre.spans") != 0)
    s.reject("fibre.spans",
             "and fibre.length_km cannot both be given; fibre.spans = 0 makes way for the length");
  if (!s.numbers("fibre.span_lengths_km").empty())
    s.reject("fibre.span_lengths_km", "and fibre.length_km cannot both be given");
  const double count = std::ceil(length_km / s.number("fibre.span_length_km") * (1.0 - 1e-9));
  if (count > kMostSpans)
    s.reject("fibre.length_km",
             "needs more than 1000 spans of fibre.span_length_km = " + s.written("fibre.span_length_km"));
  usual.span.length = length_km * 1e3 / count;
  return {static_cast<std::size_t>(count), usual};
}

std::vector<LineSection> listed_spans(const Scenario& s) {
  const auto lengths = s.numbers("fibre.span_lengths_km");
  const auto types = s.list("fibre.span_types");
  const auto losses = s.numbers("fibre.span_losses_db");
  const std::string listed = "lengths in fibre.span_lengths_km";
  require_count(s, "fibre.span_types", types.size(), lengths.size(), listed);
  require_count(s, "fibre.span_losses_db", losses.size(), lengths.size(), listed);
  LineSection usual = usual_section(s);
  if (const auto length = s.optional_number("fibre.length_km")) return equal_spans(s, *length, usual);
  if (lengths.empty()) return {static_cast<std::size_t>(s.integer("fibre.spans")), usual};
  if (s.integer("fibre.spans") != 0)
    s.reject("fibre.spans",
             "and fibre.span_lengths_km cannot both be given; fibre.spans = 0 makes way for the list");
  std::vector<LineSection> sections(lengths.size(), usual);
  for (std::size_t k = 0; k < lengths.size(); ++k) {
    if (!types.empty()) sections[k].span = span_of_type(s, types[k]);
    sections[k].span.length = lengths[k] * 1e3;
    if (!losses.empty()) sections[k].lumped_loss = from_db(losses[k]);
  }
  return sections;
}

/// A site without an amplifier has no PDL of one.
std::vector<LineSection> read_spans(const Scenario& s) {
  std::vector<LineSection> sections = listed_spans(s);
  if (!sections.empty() && !s.boolean("fibre.final_amplifier")) {
    sections.back().amplifier.mode = GainMode::kNone;
    sections.back().pdl = 1.0;
  }
  return sections;
}

// --- Filters and what else stands before the receiver. ---

std::optional<OpticalFilter> read_filter(const Scenario& s, const std::string& section, double centre) {
  const auto bandwidth = s.optional_number(section + ".filter_bandwidth_ghz");
  if (!bandwidth) return std::nullopt;
  return OpticalFilter{centre, *bandwidth * 1e9, s.number(section + ".filter_edge_ghz") * 1e9};
}

// An add-drop site filters each channel; here the one under test is what passes through it.
void add_sites(const Scenario& s, Line& line) {
  const auto filter = read_filter(s, "fibre", line.comb.tested().frequency);
  if (!filter) return;
  const auto every = static_cast<std::size_t>(s.integer("fibre.filter_every_spans"));
  for (std::size_t k = every; k <= line.sections.size(); k += every)
    line.sections[k - 1].filters.push_back(*filter);
}

PathOptics read_optics(const Scenario& s, double tuned) {
  PathOptics optics;
  optics.extra_beta2_length = accumulated_to_beta2_length(s.number("channel.extra_dispersion_ps_per_nm"));
  optics.dgd = s.number("channel.dgd_ps") * 1e-12;
  optics.pdl = from_db(s.number("channel.pdl_db"));
  optics.rotation = degrees_to_rad(s.number("channel.polarisation_rotation_deg"));
  optics.retardance = degrees_to_rad(s.number("channel.polarisation_retardance_deg"));
  optics.rotation_rate = s.number("channel.polarisation_rotation_krad_per_s") * 1e3;
  if (const auto osnr = s.optional_number("channel.osnr_db")) optics.osnr = from_db(*osnr);
  optics.filter = read_filter(s, "channel", tuned);
  return optics;
}

}  // namespace

double read_beta3_length(const Scenario& s, double beta2_length) {
  const Dispersion line = dispersion_at_channel(read_line(s));
  const double beyond = beta2_length - line.beta2_length;
  const Span usual = span_of_type(s, s.text("fibre.type"));
  // A fibre without dispersion has no ratio of the two: of its slope nothing can be known then.
  const double per_beta2 =
      usual.beta2 != 0.0 ? usual.beta3 / usual.beta2 : slope_to_beta3(0.0, 1.0) / dispersion_to_beta2(1.0);
  return line.beta3_length + beyond * per_beta2;
}

bool has_spans(const Scenario& s) {
  return s.integer("fibre.spans") > 0 || s.is_set("fibre.length_km") ||
         !s.numbers("fibre.span_lengths_km").empty();
}

Line read_line(const Scenario& s) {
  Line line;
  line.comb = read_comb(s);
  line.sections = read_spans(s);
  add_sites(s, line);
  line.optics = read_optics(s, line.comb.tested().frequency);
  return line;
}

}  // namespace cohlink
