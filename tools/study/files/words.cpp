#include "tools/study/files/words.h"

#include <algorithm>
#include <cmath>
#include <string_view>

#include "sim/signal/scenario/scenario.h"
#include "sim/signal/scenario/strings.h"
#include "tools/study/plan/numbers.h"
#include "tools/study/plan/receiver_outputs.h"
#include "tools/study/plan/vary.h"

namespace cohlink {
namespace {

struct Words {
  std::string_view column, words;
};

constexpr Words kWords[] = {
    {"channel.osnr_db", "OSNR in 12.5 GHz"},
    {"channel.dgd_ps", "differential group delay"},
    {"channel.pdl_db", "polarisation-dependent loss"},
    {"channel.extra_dispersion_ps_per_nm", "dispersion"},
    {"channel.polarisation_rotation_deg", "rotation of the polarisation"},
    {"channel.polarisation_rotation_krad_per_s", "rate of polarisation rotation"},
    {"channel.polarisation_wander_krad_per_s", "rate of polarisation wander"},
    {"channel.polarisation_burst_krad_per_s", "highest rate of a polarisation burst"},
    {"transmitter.launch_power_dbm", "launch power"},
    {"transmitter.laser_linewidth_khz", "linewidth of the transmit laser"},
    {"laser_lo.linewidth_khz", "linewidth of the local oscillator"},
    {"laser_lo.frequency_offset_mhz", "frequency offset of the local oscillator"},
    {"laser_lo.power_dbm", "power of the local oscillator"},
    {"frontend.received_power_dbm", "received power"},
    {"frontend.hybrid_phase_error_deg", "phase error of the hybrids"},
    {"fibre.spans", "spans"},
    {"fibre.span_length_km", "length of a span"},
    {"amplifier.noise_figure_db", "noise figure of the amplifiers"},
    {"adc.bits", "bits of the converters"},
    {"adc.enob", "effective bits of the converters"},
    {"adc.jitter_fs", "jitter of the converters"},
    {"signal.symbol_rate_gbd", "symbol rate"},
    {"signal.modulation", "format"},
    {"dsp.phase_recovery", "phase recovery"},
    {"dsp.equaliser_taps", "taps of the equaliser"},
    {"dsp.test_phases", "test phases"},
    {"ber", "bit error ratio before FEC"},
    {"ber_x", "bit error ratio of X before FEC"},
    {"ber_y", "bit error ratio of Y before FEC"},
    {"post_fec_ber", "bit error ratio after FEC"},
    {"snr_x_db", "SNR of X"},
    {"snr_y_db", "SNR of Y"},
    {"ngmi", "normalised GMI"},
    {"iq_skew_x_ps", "I/Q skew of X"},
    {"iq_skew_y_ps", "I/Q skew of Y"},
    {"penalty_db", "penalty in required OSNR"},
    {"required_osnr_db", "required OSNR in 12.5 GHz"},
    {"snr_penalty_db", "SNR penalty"},
    {"margin_db", "margin"},
    {"net_rate_gbps", "net rate"},
    {"pj_per_bit", "energy of arithmetic and converters"},
};

/// "xy_skew" of "xy_skew_ps": the unit at a name's end is not said twice.
std::string without_unit(const std::string& name, const std::string& unit) {
  constexpr std::string_view kEndings[] = {"_ps_per_nm", "_db_per_km", "_percent", "_dbm",  "_db", "_ps",
                                           "_khz",       "_mhz",       "_ghz",     "_deg",  "_km", "_gbd",
                                           "_gsa",       "_fs",        "_ppm",     "_bits", "_hz"};
  if (unit.empty()) return name;
  for (const std::string_view ending : kEndings)
    if (name.size() > ending.size() && name.ends_with(ending))
      return name.substr(0, name.size() - ending.size());
  return name;
}

std::string spelt(std::string name) {
  std::replace(name.begin(), name.end(), '_', ' ');
  std::replace(name.begin(), name.end(), '.', ' ');
  return name;
}

/// A word of ours for it, else the receiver's table of outputs, else what its name says.
std::string words_of(const std::string& column, const std::string& unit) {
  for (const Words& row : kWords)
    if (row.column == column) return std::string(row.words);
  for (const OutputRow& row : output_rows())
    if (row.name == column && *row.title != '\0') return row.title;
  return spelt(without_unit(column, unit));
}

Look look_of(const std::string& column, const std::string& unit) {
  if (column.starts_with("ber") || column.ends_with("_ber")) return Look::kScientific;
  return find_key(column) == nullptr && (unit == "dB" || unit == "%") ? Look::kHundredths : Look::kFigures;
}

}  // namespace

std::string Quantity::shown(double value) const {
  if (std::isnan(value)) return "none";
  const std::string number = look == Look::kScientific   ? scientific(value)
                             : look == Look::kHundredths ? fixed(value, 2)
                                                         : readable(value, look == Look::kFigures ? 4 : 6);
  return number + (unit.empty() ? "" : " " + unit);
}

Quantity quantity_of(const std::string& column) {
  if (moves_together(column)) {
    std::vector<std::string> words;
    for (const std::string& key : split(column, '+')) words.push_back(quantity_of(key).words);
    return {join(words, ", "), "", Look::kShort};
  }
  const std::string unit = column == "pj_per_bit" ? "pJ/bit" : unit_of_column(column);
  return {words_of(column, unit), unit, look_of(column, unit)};
}

}  // namespace cohlink
