#include "sim/signal/line/read_line.h"

#include <cmath>
#include <cstdio>
#include <stdexcept>
#include <string>

#include "sim/signal/line/fibre_types.h"
#include "sim/signal/line/loss_spectrum.h"
#include "sim/signal/line/raman_pump.h"
#include "sim/signal/read_modulation.h"

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

double grid_offset(std::size_t channel, std::size_t count, double spacing) {
  return (static_cast<double>(channel) - 0.5 * static_cast<double>(count - 1)) * spacing;
}

/// Where the grid lies [m]. Neither key given: its centre at 1550 nm, to which the channel under test then
/// counts, too.
struct GridPlace {
  double centre = kWavelength, tested = kWavelength;
};

GridPlace read_grid_place(const Scenario& s) {
  const auto wavelength = s.optional_number("channel.wavelength_nm"),
             centre = s.optional_number("channel.grid_centre_thz");
  if (!wavelength && !centre) return {};
  if (wavelength && centre)
    s.reject("channel.wavelength_nm", "and channel.grid_centre_thz cannot both be given");
  const auto count = static_cast<std::size_t>(s.integer("channel.count"));
  const double offset =
      grid_offset(channel_under_test(s, count), count, s.number("channel.spacing_ghz") * 1e9);
  if (centre) return {kSpeedOfLight / (*centre * 1e12), kSpeedOfLight / (*centre * 1e12 + offset)};
  const double tested = *wavelength * 1e-9;
  return {offset == 0.0 ? tested : kSpeedOfLight / (kSpeedOfLight / tested - offset), tested};
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
  const Modulation own = read_modulation(s);
  const double frame_rate = pulse.symbol_rate / static_cast<double>(s.integer("signal.symbols"));
  Comb comb;
  comb.spacing = s.number("channel.spacing_ghz") * 1e9;
  comb.under_test = channel_under_test(s, count);
  comb.wavelength = read_grid_place(s).centre;
  comb.channels.assign(count, Channel{});
  for (std::size_t k = 0; k < count; ++k) {
    Channel& channel = comb.channels[k];
    channel.number = static_cast<int>(k) + 1;
    channel.offset = grid_offset(k, count, comb.spacing);
    channel.frequency = comb_frequency(channel.offset, frame_rate);
    // Decibels add before they become watts: the same light, however it is written, is the same number.
    channel.power =
        dbm_to_watt(s.number("transmitter.launch_power_dbm") + (powers.empty() ? 0.0 : powers[k]));
    // Neighbours of the same format are shaped as the channel under test is.
    channel.modulation = modulations.empty() || modulations[k] == modulation_name(own)
                             ? own
                             : modulation_named(modulations[k]);
    channel.pulse = pulse;
    if (!roll_offs.empty()) channel.pulse.roll_off = roll_offs[k];
  }
  check_channel_under_test(s, comb.tested());
  return comb;
}

// --- Spans. ---

enum class LossKind { kFlat, kTypical, kFile };

LossKind loss_kind(const Scenario& s) {
  const std::string kind = s.text("fibre.loss_curve");
  if (kind != "file" && s.is_set("fibre.loss_file"))
    s.reject("fibre.loss_file", "is used only with fibre.loss_curve = file");
  if (kind == "flat") return LossKind::kFlat;
  if (kind == "typical") return LossKind::kTypical;
  if (kind == "file") {
    if (!s.is_set("fibre.loss_file")) s.reject("fibre.loss_curve", "needs fibre.loss_file");
    if (s.is_set("fibre.attenuation_db_per_km"))
      s.reject("fibre.attenuation_db_per_km", "and fibre.loss_file cannot both say the loss");
    return LossKind::kFile;
  }
  const bool placed = s.is_set("channel.wavelength_nm") || s.is_set("channel.grid_centre_thz");
  return placed ? LossKind::kTypical : LossKind::kFlat;
}

/// Over the comb, about its centre [Hz].
LossTable typical_table(double centre, double edge) {
  constexpr int kPoints = 129;
  LossTable table;
  for (int i = 0; i < kPoints; ++i) {
    table.frequency.push_back(centre + edge * (2.0 * i / (kPoints - 1) - 1.0));
    table.loss.push_back(typical_loss_db_per_km(kSpeedOfLight / table.frequency.back()));
  }
  return table;
}

LossTable table_of_file(const Scenario& s, double centre, double edge) {
  LossTable table = read_loss_table(s.text("fibre.loss_file"));
  const double low = centre - edge, high = centre + edge;
  if (table.frequency.front() <= low && table.frequency.back() >= high) return table;
  char text[128];
  std::snprintf(text, sizeof text, "reaches from %.3f to %.3f THz, the channels from %.3f to %.3f THz",
                table.frequency.front() / 1e12, table.frequency.back() / 1e12, low / 1e12, high / 1e12);
  s.reject("fibre.loss_file", text);
}

/// Sets every fibre's loss at the grid's centre, and how it hangs on frequency.
void set_losses(const Scenario& s, Line& line) {
  const LossKind kind = loss_kind(s);
  if (kind == LossKind::kFlat) return;
  const double centre = line.comb.centre(), edge = line.comb.edge();
  const LossTable table =
      kind == LossKind::kFile ? table_of_file(s, centre, edge) : typical_table(centre, edge);
  LossCurve& curve = line.loss_curve;
  for (const double frequency : table.frequency) curve.offset.push_back(frequency - centre);
  curve.ratio = table.loss;
  const double at_centre = curve.at(0.0);
  for (double& ratio : curve.ratio) ratio /= at_centre;
  for (LineSection& section : line.sections)
    section.span.loss = kind == LossKind::kFile
                            ? at_centre
                            : section.span.loss * at_centre / typical_loss_db_per_km(kWavelength);
}

/// Raman pumps from the ends of the spans with an amplifier.
void set_pumps(const Scenario& s, std::vector<LineSection>& sections) {
  const double gain = from_db(s.number("amplifier.raman_gain_db"));
  if (gain == 1.0) return;
  for (LineSection& section : sections) {
    if (section.amplifier.mode == GainMode::kNone) continue;
    if (gain > section.span.total_loss())
      s.reject("amplifier.raman_gain_db",
               "is more than a fibre loses: " + std::to_string(to_db(section.span.total_loss())) + " dB");
    section.amplifier.noise_factor = hybrid_noise_factor(section, gain);
  }
}

/// A fibre of that type at a wavelength [m], its loss as at 1550 nm. The slope of the dispersion holds over
/// all wavelengths.
Span span_of_type(const Scenario& s, const std::string& type_name, double wavelength) {
  const FibreType type = *find_fibre_type(type_name);
  const auto given = [&](const char* key, double of_type) {
    return s.optional_number(key).value_or(of_type);
  };
  const double slope = given("fibre.dispersion_slope_ps_per_nm2_km", type.slope_ps_per_nm2_km);
  const double dispersion = given("fibre.dispersion_ps_per_nm_km", type.dispersion_ps_per_nm_km) +
                            slope * (wavelength - kWavelength) * 1e9;
  Span span;
  span.length = s.number("fibre.span_length_km") * 1e3;
  span.loss = db_per_km_to_per_m(given("fibre.attenuation_db_per_km", type.attenuation_db_per_km));
  span.beta2 = dispersion_to_beta2(dispersion, wavelength);
  span.beta3 = slope_to_beta3(slope, dispersion, wavelength);
  span.gamma = given("fibre.nonlinear_coefficient_per_w_km", type.nonlinear_coefficient_per_w_km) * 1e-3;
  span.pmd_coefficient = s.number("fibre.pmd_ps_per_sqrt_km") * 1e-12 / std::sqrt(1e3);
  return span;
}

Amplifier read_amplifier(const Scenario& s) {
  Amplifier amplifier;
  amplifier.noise_factor = from_db(s.number("amplifier.noise_figure_db"));
  amplifier.ase = s.boolean("amplifier.ase");
  amplifier.tilt = s.number("amplifier.gain_tilt_db_per_thz") * std::log(10.0) / 10.0 / 1e12;
  if (const auto output = s.optional_number("amplifier.output_power_dbm")) {
    amplifier.mode = GainMode::kFixedOutput;
    amplifier.output_power = dbm_to_watt(*output);
  }
  return amplifier;
}

/// A section as all are where no list says otherwise.
LineSection usual_section(const Scenario& s, double wavelength) {
  LineSection section;
  section.span = span_of_type(s, s.text("fibre.type"), wavelength);
  section.lumped_loss = from_db(s.number("fibre.lumped_loss_db"));
  if (const double module = s.number("fibre.compensation_ps_per_nm"); module != 0.0) {
    section.module = DispersionModule{accumulated_to_beta2_length(module, wavelength), 0.0};
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

std::vector<LineSection> listed_spans(const Scenario& s, double wavelength) {
  const auto lengths = s.numbers("fibre.span_lengths_km");
  const auto types = s.list("fibre.span_types");
  const auto losses = s.numbers("fibre.span_losses_db");
  const std::string listed = "lengths in fibre.span_lengths_km";
  require_count(s, "fibre.span_types", types.size(), lengths.size(), listed);
  require_count(s, "fibre.span_losses_db", losses.size(), lengths.size(), listed);
  LineSection usual = usual_section(s, wavelength);
  if (const auto length = s.optional_number("fibre.length_km")) return equal_spans(s, *length, usual);
  if (lengths.empty()) return {static_cast<std::size_t>(s.integer("fibre.spans")), usual};
  if (s.integer("fibre.spans") != 0)
    s.reject("fibre.spans",
             "and fibre.span_lengths_km cannot both be given; fibre.spans = 0 makes way for the list");
  std::vector<LineSection> sections(lengths.size(), usual);
  for (std::size_t k = 0; k < lengths.size(); ++k) {
    if (!types.empty()) sections[k].span = span_of_type(s, types[k], wavelength);
    sections[k].span.length = lengths[k] * 1e3;
    if (!losses.empty()) sections[k].lumped_loss = from_db(losses[k]);
  }
  return sections;
}

/// A site without an amplifier has no PDL of one, and no equaliser. `wavelength`: of the grid's centre [m].
std::vector<LineSection> read_spans(const Scenario& s, double wavelength) {
  std::vector<LineSection> sections = listed_spans(s, wavelength);
  if (const auto every = static_cast<std::size_t>(s.integer("amplifier.equalise_every_spans")); every > 0)
    for (std::size_t k = every; k <= sections.size(); k += every) sections[k - 1].amplifier.equalise = true;
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
  optics.extra_beta2_length =
      accumulated_to_beta2_length(s.number("channel.extra_dispersion_ps_per_nm"), channel_wavelength(s));
  optics.dgd = s.number("channel.dgd_ps") * 1e-12;
  optics.pdl = from_db(s.number("channel.pdl_db"));
  optics.rotation = degrees_to_rad(s.number("channel.polarisation_rotation_deg"));
  optics.retardance = degrees_to_rad(s.number("channel.polarisation_retardance_deg"));
  optics.rotation_rate = s.number("channel.polarisation_rotation_krad_per_s") * 1e3;
  optics.wander_rate = s.number("channel.polarisation_wander_krad_per_s") * 1e3;
  if (const double peak = s.number("channel.polarisation_burst_krad_per_s"); peak > 0.0)
    optics.burst = {peak * 1e3, s.number("channel.polarisation_burst_us") * 1e-6};
  if (const auto osnr = s.optional_number("channel.osnr_db")) optics.osnr = from_db(*osnr);
  optics.filter = read_filter(s, "channel", tuned);
  return optics;
}

}  // namespace

double channel_wavelength(const Scenario& s) { return read_grid_place(s).tested; }

double read_beta3_length(const Scenario& s, double beta2_length) {
  const Line read = read_line(s);
  const Dispersion line = dispersion_at_channel(read);
  const double beyond = beta2_length - line.beta2_length;
  const Span usual = span_of_type(s, s.text("fibre.type"), read.comb.wavelength);
  // A fibre without dispersion has no ratio of the two: of its slope nothing can be known then.
  const double per_beta2 = usual.beta2 != 0.0 ? usual.beta3 / usual.beta2
                                              : slope_to_beta3(0.0, 1.0, read.comb.wavelength) /
                                                    dispersion_to_beta2(1.0, read.comb.wavelength);
  return line.beta3_length + beyond * per_beta2;
}

bool has_spans(const Scenario& s) {
  return s.integer("fibre.spans") > 0 || s.is_set("fibre.length_km") ||
         !s.numbers("fibre.span_lengths_km").empty();
}

Line read_line(const Scenario& s) {
  Line line;
  line.comb = read_comb(s);
  line.wavelength = read_grid_place(s).tested;
  line.sections = read_spans(s, line.comb.wavelength);
  set_losses(s, line);
  set_pumps(s, line.sections);
  // 1/(W km THz)
  line.raman_slope = s.number("fibre.raman_slope_per_w_km_thz") * 1e-3 * 1e-12;
  add_sites(s, line);
  line.optics = read_optics(s, line.comb.tested().frequency);
  return line;
}

}  // namespace cohlink
