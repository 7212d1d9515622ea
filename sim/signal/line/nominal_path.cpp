#include "sim/signal/line/nominal_path.h"

#include <string>

#include "sim/signal/line/fibre_types.h"
#include "sim/signal/units.h"

namespace cohlink {
namespace {

void require_count(const Scenario& s, const char* key, std::size_t given, std::size_t wanted,
                   const char* of) {
  if (given != 0 && given != wanted)
    s.reject(key, "lists " + std::to_string(given) + " values for " + std::to_string(wanted) + " " + of);
}

NominalSpan span_of_type(const Scenario& s, const std::string& type_name) {
  const FibreType type = *find_fibre_type(type_name);
  const auto given = [&](const char* key, double of_type) {
    return s.optional_number(key).value_or(of_type);
  };
  NominalSpan span;
  span.length_km = s.number("fibre.span_length_km");
  span.attenuation_db_per_km = given("fibre.attenuation_db_per_km", type.attenuation_db_per_km);
  span.dispersion_ps_per_nm_km = given("fibre.dispersion_ps_per_nm_km", type.dispersion_ps_per_nm_km);
  span.slope_ps_per_nm2_km = given("fibre.dispersion_slope_ps_per_nm2_km", type.slope_ps_per_nm2_km);
  span.nonlinear_coefficient_per_w_km =
      given("fibre.nonlinear_coefficient_per_w_km", type.nonlinear_coefficient_per_w_km);
  span.lumped_loss_db = s.number("fibre.lumped_loss_db");
  return span;
}

}  // namespace

std::vector<NominalSpan> nominal_spans(const Scenario& s) {
  const auto lengths = s.numbers("fibre.span_lengths_km");
  const auto types = s.list("fibre.span_types");
  const auto losses = s.numbers("fibre.span_losses_db");
  require_count(s, "fibre.span_types", types.size(), lengths.size(), "lengths in fibre.span_lengths_km");
  require_count(s, "fibre.span_losses_db", losses.size(), lengths.size(), "lengths in fibre.span_lengths_km");
  const NominalSpan usual = span_of_type(s, s.text("fibre.type"));
  if (lengths.empty())
    return std::vector<NominalSpan>(static_cast<std::size_t>(s.integer("fibre.spans")), usual);
  if (s.integer("fibre.spans") != 0)
    s.reject("fibre.spans",
             "and fibre.span_lengths_km cannot both be given; fibre.spans = 0 makes way for the list");
  std::vector<NominalSpan> spans;
  for (std::size_t k = 0; k < lengths.size(); ++k) {
    NominalSpan span = types.empty() ? usual : span_of_type(s, types[k]);
    span.length_km = lengths[k];
    if (!losses.empty()) span.lumped_loss_db = losses[k];
    spans.push_back(span);
  }
  return spans;
}

int channel_under_test(const Scenario& s) {
  const auto count = static_cast<int>(s.integer("channel.count"));
  const auto named = static_cast<int>(s.integer("channel.under_test"));
  if (named > count) s.reject("channel.under_test", "is beyond channel.count = " + std::to_string(count));
  return named == 0 ? count / 2 : named - 1;
}

double channel_offset_hz(const Scenario& s) {
  const double middle = 0.5 * static_cast<double>(s.integer("channel.count") - 1);
  return (channel_under_test(s) - middle) * s.number("channel.spacing_ghz") * 1e9;
}

double nominal_dispersion_ps_per_nm(const Scenario& s) {
  const double w = -kTwoPi * channel_offset_hz(s);  // FFT sign
  const double module = s.number("fibre.compensation_ps_per_nm");
  double sum = s.number("channel.extra_dispersion_ps_per_nm");
  for (const NominalSpan& span : nominal_spans(s)) {
    const double slope =
        slope_to_beta3(span.slope_ps_per_nm2_km, span.dispersion_ps_per_nm_km) * w * span.length_km * 1e3;
    sum += span.length_km * span.dispersion_ps_per_nm_km - beta2_length_to_accumulated(slope) + module;
  }
  return sum;
}

double nominal_beta3_length(const Scenario& s, double ps_per_nm) {
  const NominalSpan usual = span_of_type(s, s.text("fibre.type"));
  const double beyond = ps_per_nm - nominal_dispersion_ps_per_nm(s),
               slope = usual.dispersion_ps_per_nm_km != 0.0
                           ? beyond * usual.slope_ps_per_nm2_km / usual.dispersion_ps_per_nm_km
                           : 0.0;
  double sum = 1e3 * slope_to_beta3(slope, beyond);  // per km: 1 km of all of it
  for (const NominalSpan& span : nominal_spans(s))
    sum += 1e3 * span.length_km * slope_to_beta3(span.slope_ps_per_nm2_km, span.dispersion_ps_per_nm_km);
  return sum;
}

}  // namespace cohlink
