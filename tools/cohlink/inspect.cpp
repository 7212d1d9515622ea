// cohlink inspect: what a file of ours holds, without running anything.
#include <algorithm>
#include <cmath>
#include <filesystem>
#include <iostream>
#include <span>
#include <sstream>

#include "sim/signal/record/capture.h"
#include "sim/signal/record/capture_file.h"
#include "sim/signal/scenario/scenario.h"
#include "sim/signal/units.h"
#include "tools/cohlink/command_line.h"
#include "tools/cohlink/commands.h"
#include "tools/cohlink/console.h"
#include "tools/cohlink/light_path.h"
#include "tools/cohlink/spectrum.h"
#include "tools/study/plan/numbers.h"

namespace cohlink {
namespace {

using Facts = std::vector<Fact>;

std::string attribute_or(const h5::File& file, const std::string& name, const std::string& otherwise) {
  return file.holds_text("/", name) ? file.attribute_text("/", name) : otherwise;
}

void heading(Facts& facts, const std::string& text) { facts.push_back({"", text, {}, ""}); }

void add_provenance(Facts& facts, const h5::File& file, const std::string& kind) {
  const std::string made = attribute_or(file, "version", "");
  const auto bytes = static_cast<std::uint64_t>(std::filesystem::file_size(file.path()));
  facts.push_back({"file", "file", file.path(), file.path() + ", " + grouped(bytes) + " bytes"});
  facts.push_back({"kind", "kind", kind, kind});
  facts.push_back({"version", "made by", made,
                   made.empty() ? "not by cohlink"
                                : "cohlink " + made + " (" + attribute_or(file, "git_hash", "-") + ")"});
  if (made.empty()) return;
  facts.push_back({"git_hash", "", attribute_or(file, "git_hash", ""), ""});
  for (const char* name : {"seed", "frame", "point"})
    if (file.has_attribute("/", name))
      facts.push_back(
          {name, name, file.attribute_count("/", name), std::to_string(file.attribute_count("/", name))});
}

struct LaneStatistics {
  double mean = 0, rms = 0;  // codes, the rms without the mean
  std::int16_t low = 0, high = 0;
  std::size_t at_ends = 0;  // samples at the lowest or highest code met
};

LaneStatistics lane_statistics(std::span<const std::int16_t> codes) {
  LaneStatistics lane;
  const auto [low, high] = std::minmax_element(codes.begin(), codes.end());
  lane.low = *low, lane.high = *high;
  double sum = 0, squares = 0;
  for (const double code : codes) sum += code, squares += code * code;
  const auto n = static_cast<double>(codes.size());
  lane.mean = sum / n;
  lane.rms = std::sqrt(std::max(0.0, squares / n - lane.mean * lane.mean));
  for (const auto code : codes) lane.at_ends += code == lane.low || code == lane.high;
  return lane;
}

void add_samples(Facts& facts, const Capture& capture) {
  heading(facts, "samples");
  const double seconds = static_cast<double>(capture.samples()) / capture.sample_rate;
  facts.push_back({"samples", "length", static_cast<std::uint64_t>(capture.samples()),
                   grouped(capture.samples()) + " in each of 4 lanes"});
  facts.push_back({"sample_rate_hz", "sample rate", capture.sample_rate,
                   readable(capture.sample_rate / 1e9, 6) + " GSa/s"});
  facts.push_back({"duration_s", "duration", seconds, readable(seconds * 1e6) + " us"});
  for (std::size_t i = 0; i < 4; ++i) {
    const LaneStatistics lane = lane_statistics(capture.lanes[i]);
    const std::string name = Capture::kLaneNames[i];
    facts.push_back({name + "_mean", "lane " + name, lane.mean,
                     "mean " + readable(lane.mean, 3) + ", rms " + readable(lane.rms) + " codes, " +
                         std::to_string(lane.low) + " to " + std::to_string(lane.high) + ", " +
                         grouped(lane.at_ends) + " samples at these ends"});
    facts.push_back({name + "_rms", "", lane.rms, ""});
    facts.push_back({name + "_rms_ampere", "", lane.rms * capture.ampere_per_code[i], ""});
  }
  for (const auto& [name, events] : capture.counters) facts.push_back({name, name, events, grouped(events)});
}

void add_spectrum(Facts& facts, const Capture& capture) {
  if (capture.samples() < 2) return;
  FftCache fft(FftPlanning::kEstimate);
  const SpectrumSummary spectrum = summarise_spectrum(capture, fft);
  heading(facts, "spectrum");
  facts.push_back({"occupied_bandwidth_hz", "occupied", spectrum.occupied_hz,
                   readable(spectrum.occupied_hz / 1e9) + " GHz hold 99 % of the power"});
  facts.push_back(
      {"spectrum_centre_hz", "centre", spectrum.centre_hz, readable(spectrum.centre_hz / 1e6, 3) + " MHz"});
  facts.push_back(
      {"peak_to_floor_db", "above floor",
       std::isfinite(spectrum.peak_to_floor_db) ? Cell(spectrum.peak_to_floor_db) : Cell(),
       std::isfinite(spectrum.peak_to_floor_db) ? readable(spectrum.peak_to_floor_db, 3) + " dB" : "-"});
}

/// " -4.1 to 5.0 rad".
std::string phase_text(const std::vector<double>& phase) {
  if (phase.empty()) return "-";
  const auto [low, high] = std::minmax_element(phase.begin(), phase.end());
  return readable(*low, 3) + " to " + readable(*high, 3) + " rad";
}

/// Lorentzian linewidth of a Wiener phase: variance of its steps = 2 pi linewidth T.
double linewidth_hz(const std::vector<double>& phase, double symbol_rate) {
  if (phase.size() < 2) return 0.0;
  double sum = 0.0;
  for (std::size_t i = 1; i < phase.size(); ++i) sum += std::pow(phase[i] - phase[i - 1], 2);
  return sum / static_cast<double>(phase.size() - 1) * symbol_rate / kTwoPi;
}

/// Ratio of the singular values of the path's Jones matrix nearest to the carrier; nothing where an ideal
/// polariser makes it infinite.
std::optional<double> path_pdl_db(const Truth& truth) {
  if (truth.jones.empty()) return std::nullopt;
  const auto nearest = std::min_element(truth.jones_frequency_hz.begin(), truth.jones_frequency_hz.end(),
                                        [](double a, double b) { return std::abs(a) < std::abs(b); });
  const Jones& j = truth.jones[static_cast<std::size_t>(nearest - truth.jones_frequency_hz.begin())];
  double sum = 0.0;
  for (const auto& row : j)
    for (const auto& element : row) sum += std::norm(element);
  const double product = std::abs(j[0][0] * j[1][1] - j[0][1] * j[1][0]);
  const double spread = std::sqrt(std::max(0.0, sum * sum / 4.0 - product * product));
  const double low = sum / 2.0 - spread;
  if (!(low > 0.0)) return std::nullopt;
  return to_db((sum / 2.0 + spread) / low);
}

void add_truth(Facts& facts, const Capture& capture) {
  heading(facts, "truth");
  if (!capture.truth) {
    facts.push_back({"truth", "truth", false, "none: a receiver can be run, but errors cannot be counted"});
    return;
  }
  const Truth& truth = *capture.truth;
  const auto symbols = static_cast<std::uint64_t>(truth.symbols[0].size());
  const std::uint64_t bits = truth.bits[0].size() / std::max<std::uint64_t>(1, symbols);
  const double symbol_rate =
      static_cast<double>(symbols) * capture.sample_rate / static_cast<double>(capture.samples());
  const double tx = linewidth_hz(truth.tx_phase_rad, symbol_rate),
               lo = linewidth_hz(truth.lo_phase_rad, symbol_rate);
  facts.push_back({"symbols", "symbols", symbols,
                   grouped(symbols) + " per polarisation, " + std::to_string(bits) + " bits each"});
  facts.push_back({"osnr_db", "OSNR", truth.osnr_db ? Cell(*truth.osnr_db) : Cell(),
                   truth.osnr_db ? readable(*truth.osnr_db) + " dB in 12.5 GHz" : "no noise on the path"});
  facts.push_back({"dispersion_ps_per_nm", "dispersion", truth.dispersion_ps_per_nm,
                   readable(truth.dispersion_ps_per_nm, 6) + " ps/nm"});
  facts.push_back({"dgd_ps", "DGD", truth.dgd_ps, readable(truth.dgd_ps) + " ps at the carrier"});
  const double second =
      std::hypot(truth.second_order_pmd_ps2[0], truth.second_order_pmd_ps2[1], truth.second_order_pmd_ps2[2]);
  facts.push_back({"second_order_pmd_ps2", "second-order PMD", second, readable(second) + " ps2"});
  if (const auto pdl = path_pdl_db(truth))
    facts.push_back({"pdl_db", "PDL", *pdl, readable(*pdl) + " dB at the carrier"});
  facts.push_back({"frequency_offset_hz", "frequency offset", truth.frequency_offset_hz,
                   readable(truth.frequency_offset_hz / 1e6) + " MHz"});
  facts.push_back({"tx_linewidth_hz", "transmit laser", tx,
                   readable(tx / 1e3, 3) + " kHz over this frame, phase " + phase_text(truth.tx_phase_rad)});
  facts.push_back({"lo_linewidth_hz", "local oscillator", lo,
                   readable(lo / 1e3, 3) + " kHz over this frame, phase " + phase_text(truth.lo_phase_rad)});
  facts.push_back(
      {"jones_matrices", "Jones matrices", static_cast<std::uint64_t>(truth.jones.size()),
       grouped(truth.jones_frequency_hz.size()) + " frequencies" +
           (truth.jones_time_s.size() > 1 ? " at each of " + grouped(truth.jones_time_s.size()) + " times"
                                          : "")});
}

/// "section.key" -> "section.key = value" of every line that differs between two resolved scenarios.
std::vector<std::string> differing_lines(const std::string& given, const std::string& reference) {
  std::istringstream a(given), b(reference);
  std::vector<std::string> lines;
  std::string section, line, other;
  while (std::getline(a, line) && std::getline(b, other)) {
    if (!line.empty() && line.front() == '[') section = line.substr(1, line.size() - 2);
    if (line != other) lines.push_back(section + "." + (line.front() == '#' ? line.substr(2) : line));
  }
  return lines;
}

void add_scenario(Facts& facts, const h5::File& file) {
  if (!file.has("/scenario")) {
    heading(facts, "scenario");
    facts.push_back({"", "scenario", {}, "none stored"});
    return;
  }
  Scenario scenario;
  scenario.read_text(file.read_text("/scenario"), file.path() + ":/scenario");
  light_hazard_caution(std::vector{scenario});
  for (Fact& fact : light_path_facts(scenario)) facts.push_back(std::move(fact));
  heading(facts, "scenario");
  const auto lines = differing_lines(scenario.resolved(), Scenario().resolved());
  if (lines.empty()) facts.push_back({"", "keys", {}, "all at their defaults"});
  for (const auto& line : lines) {
    const auto equals = line.find(" = ");
    const std::string key = line.substr(0, equals);
    const ScenarioKey* known = find_key(key);
    const std::string value = equals == std::string::npos ? "" : line.substr(equals + 3);
    const std::string unit = known != nullptr && !known->unit.empty() ? " " + std::string(known->unit) : "";
    facts.push_back({key, key, value, value.empty() ? "absent" : value + unit});
  }
}

Facts capture_facts(const h5::File& file) {
  Facts facts;
  add_provenance(facts, file, "capture");
  const Capture capture = read_capture(file);
  add_samples(facts, capture);
  add_spectrum(facts, capture);
  add_truth(facts, capture);
  add_scenario(facts, file);
  return facts;
}

void add_number(Facts& facts, const h5::File& file, const std::string& name, const std::string& label,
                const std::string& unit) {
  if (!file.has_attribute("/", name)) return;
  const double value = file.attribute_number("/", name);
  facts.push_back({name, label, value, readable(value) + unit});
}

Facts result_facts(const h5::File& file) {
  Facts facts;
  add_provenance(facts, file, "result");
  heading(facts, "numbers");
  add_number(facts, file, "ber", "BER", "");
  add_number(facts, file, "ber_low", "95 % from", "");
  add_number(facts, file, "ber_high", "to", "");
  add_number(facts, file, "q_db", "Q", " dB");
  add_number(facts, file, "snr_db", "SNR", " dB");
  add_number(facts, file, "evm_percent", "EVM", " %");
  if (file.has_attribute("/", "verdict"))
    facts.push_back({"verdict", "verdict", file.attribute_text("/", "verdict"), ""});
  heading(facts, "contents");
  const auto shape = file.shape("/symbols");
  const std::uint64_t symbols = shape.size() == 2 ? shape[1] : 0;
  facts.push_back({"symbols", "symbols", symbols, grouped(symbols) + " per polarisation"});
  std::string stages;
  if (file.has("/stages"))
    for (const auto& stage : file.children("/stages")) stages += (stages.empty() ? "" : ", ") + stage;
  facts.push_back({"stages", "stages", stages, stages});
  add_scenario(facts, file);
  return facts;
}

std::string times(const h5::Shape& shape) {
  std::string text;
  for (const auto length : shape) text += (text.empty() ? "" : " x ") + std::to_string(length);
  return text;
}

Facts curve_facts(const h5::File& file) {
  Facts facts;
  add_provenance(facts, file, "curve");
  // A curve holds BER or, when that was asked for, required OSNR.
  const bool of_ber = file.has("/ber");
  const std::string quantity = of_ber ? "ber" : "required_osnr_db", word = of_ber ? "BER" : "required OSNR";
  auto values = file.read<double>("/" + quantity);
  const h5::Shape grid = file.shape("/" + quantity);
  const auto errors = file.read<std::uint64_t>("/errors", grid),
             bits = file.read<std::uint64_t>("/bits", grid);
  heading(facts, "curve");
  std::string axes;
  for (const auto& name : file.children("/"))
    if (find_key(name) != nullptr) axes += (axes.empty() ? "" : ", ") + name;
  facts.push_back({"axes", "varied", axes, axes});
  facts.push_back({"points", "points", static_cast<std::uint64_t>(values.size()), times(grid)});
  std::erase_if(values, [](double value) { return std::isnan(value); });  // points that counted nothing
  if (!values.empty()) {
    const auto [low, high] = std::minmax_element(values.begin(), values.end());
    facts.push_back({quantity + "_lowest", "lowest " + word, *low, ""});
    facts.push_back({quantity + "_highest", "highest " + word, *high, ""});
    std::uint64_t all_errors = 0, all_bits = 0;
    for (std::size_t i = 0; i < errors.size(); ++i) all_errors += errors[i], all_bits += bits[i];
    facts.push_back(
        {"errors", "counted", all_errors, grouped(all_errors) + " errors in " + grouped(all_bits) + " bits"});
  }
  add_scenario(facts, file);
  return facts;
}

/// What our other files hold: studies, parts of a sweep, the index of a data set.
Facts other_facts(const h5::File& file, const std::string& kind) {
  Facts facts;
  add_provenance(facts, file, kind);
  heading(facts, "contents");
  for (const auto& name : file.children("/")) {
    if (name == "scenario") continue;
    const auto columns = file.children("/" + name);  // none in a data set
    const std::string first = "/" + name + (columns.empty() ? "" : "/" + columns.front());
    std::string text = std::to_string(columns.size()) + " columns";
    if (file.is_dataset(first)) {
      const h5::Shape shape = file.shape(first);
      const std::string size =
          shape.empty() ? "one value" : times(shape) + (shape.size() == 1 ? " rows" : "");
      text = columns.empty() ? size : text + " of " + size;
    }
    facts.push_back({name, name, text, text});
  }
  add_scenario(facts, file);
  return facts;
}

}  // namespace

int inspect(const Arguments& arguments) {
  CommandLine line("inspect FILE",
                   "Says what a capture, a result, a curve or a study holds: provenance, samples, spectrum, "
                   "truth, and the\n"
                   "scenario keys that differ from their defaults.");
  if (!line.parse(arguments)) return kDone;
  const CommonOptions& options = line.common();
  line.refuse({"set", "tie", "seed"}, "inspect shows what a file holds");
  if (options.files.size() != 1) throw InputError("inspect takes one file");
  const auto file = h5::File::open(options.files.front());
  const std::string kind = attribute_or(file, "kind", "");
  if (kind == "cohlink result")
    print(std::cout, result_facts(file), options.format);
  else if (kind == "cohlink curve")
    print(std::cout, curve_facts(file), options.format);
  else if (file.has("/adc/samples"))
    print(std::cout, capture_facts(file), options.format);
  else if (kind.starts_with("cohlink "))
    print(std::cout, other_facts(file, kind.substr(std::string("cohlink ").size())), options.format);
  else
    throw InputError(file.path(), "HDF5, but not a file of cohlink");
  return kDone;
}

}  // namespace cohlink
