#include "tools/live/knobs.h"

#include <algorithm>
#include <array>
#include <nlohmann/json.hpp>

#include "rx/chain/order.h"
#include "sim/signal/scenario/strings.h"

namespace cohlink::live {
namespace {

constexpr std::array kChosen = {
    Knob{"signal.symbol_rate_gbd", 10, 100},
    Knob{"signal.modulation"},
    Knob{"signal.roll_off", 0.01, 1},
    Knob{"signal.symbols", 4096, 65536},
    Knob{"signal.differential"},
    Knob{"run.seed"},
    Knob{"transmitter.launch_power_dbm", -10, 15},
    Knob{"transmitter.laser_linewidth_khz", 0, 2000},
    Knob{"transmitter.iq_gain_imbalance_db", -3, 3},
    Knob{"transmitter.iq_phase_error_deg", -30, 30},
    Knob{"transmitter.iq_skew_ps", -10, 10},
    Knob{"fibre.spans", 0, 40},
    Knob{"fibre.span_length_km", 20, 120},
    Knob{"fibre.dispersion_ps_per_nm_km", -20, 20},
    Knob{"fibre.nonlinear_coefficient_per_w_km", 0, 5},
    Knob{"fibre.steps_per_span", 1, 100},
    Knob{"amplifier.noise_figure_db", 0, 10},
    Knob{"amplifier.ase"},
    Knob{"channel.osnr_db", 5, 40},
    Knob{"channel.extra_dispersion_ps_per_nm", -20000, 40000},
    Knob{"channel.dgd_ps", 0, 100},
    Knob{"channel.pdl_db", 0, 10},
    Knob{"channel.polarisation_rotation_deg", -180, 180},
    Knob{"channel.polarisation_retardance_deg", -180, 180},
    Knob{"channel.polarisation_rotation_krad_per_s", 0, 5000},
    Knob{"channel.polarisation_wander_krad_per_s", 0, 5000},
    Knob{"channel.polarisation_burst_krad_per_s", 0, 10000},
    Knob{"laser_lo.linewidth_khz", 0, 2000},
    Knob{"laser_lo.frequency_offset_mhz", -3000, 3000},
    Knob{"frontend.hybrid_phase_error_deg", -30, 30},
    Knob{"frontend.splitter_imbalance_db", -3, 3},
    Knob{"frontend.iq_skew_ps", -20, 20},
    Knob{"frontend.xy_skew_ps", -50, 50},
    Knob{"frontend.bandwidth_ghz", 5, 50},
    Knob{"adc.bits", 2, 12},
    Knob{"adc.enob", 2, 8},
    Knob{"adc.sample_rate_gsa", 40, 120},
    Knob{"adc.loading_db", -30, 0},
    Knob{"adc.clock_offset_ppm", -200, 200},
    Knob{"adc.clock_phase_samples", -1, 1},
    Knob{"adc.jitter_fs", 0, 3000},
};
constexpr std::array<std::string_view, 9> kSections = {
    "signal", "run", "transmitter", "fibre", "amplifier", "channel", "laser_lo", "frontend", "adc"};
// Settings of a run that a bench which runs on and on decides itself.
constexpr std::array<std::string_view, 3> kOfRun = {"run.seed", "run.precision", "run.samples_per_symbol"};

const Knob* chosen(const std::string& key) {
  const auto found =
      std::find_if(kChosen.begin(), kChosen.end(), [&](const Knob& knob) { return knob.key == key; });
  return found == kChosen.end() ? nullptr : &*found;
}

const char* type_name(KeyType type) {
  switch (type) {
    case KeyType::kNumber:
      return "number";
    case KeyType::kInteger:
      return "integer";
    case KeyType::kBoolean:
      return "switch";
    case KeyType::kChoice:
      return "choice";
    default:
      return "text";
  }
}

nlohmann::json describe(const ScenarioKey& key) {
  const std::string full = key.full_name();
  const Knob* knob = chosen(full);
  nlohmann::json said = {
      {"key", full},
      {"section", key.section},
      {"name", key.name},
      {"unit", key.unit},
      {"type", type_name(key.type)},
      {"default", key.default_value},
      {"legal",
       full == "dsp.chain" ? "a comma-separated list of " + join(chain_blocks(), ", ") : legal_values(key)},
      {"help", key.help},
      {"source", key.source},
      {"chosen", knob != nullptr || key.section == "dsp"}};
  if (key.type == KeyType::kNumber || key.type == KeyType::kInteger) {
    said["low"] = key.low;
    said["high"] = full == "signal.symbols" ? kMostLiveSymbols : key.high;
  }
  if (key.type == KeyType::kChoice) said["choices"] = split(std::string(key.choices), '|');
  if (knob != nullptr && knob->high > knob->low) said["slider"] = {knob->low, knob->high};
  return said;
}

}  // namespace

std::span<const Knob> chosen_knobs() { return kChosen; }

bool may_turn(const ScenarioKey& key) {
  const std::string full = key.full_name();
  if (full == "dsp.chain") return true;
  if (full == "signal.pattern" || key.type == KeyType::kText || key.type == KeyType::kList ||
      key.type == KeyType::kNumbers)
    return false;
  if (key.section == "run") return std::find(kOfRun.begin(), kOfRun.end(), full) != kOfRun.end();
  return key.section == "dsp" ||
         std::find(kSections.begin(), kSections.end(), key.section) != kSections.end();
}

nlohmann::json knob_list() {
  nlohmann::json list = nlohmann::json::array();
  for (const ScenarioKey& key : scenario_keys())
    if (may_turn(key)) list.push_back(describe(key));
  return list;
}

}  // namespace cohlink::live
